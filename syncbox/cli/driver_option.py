"""`--driver` and `--device`, which every command that plays something has."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

DRIVERS = ("auto", "jack", "portaudio", "simulated")


def driver_options(
    what: str = "What plays it; auto takes the best that is present.", *more: str
) -> Callable[[Any], Any]:
    """Both options; `what` is the help of --driver, `more` names drivers of one command alone."""

    def decorate(command: Any) -> Any:
        device = click.option(
            "--device", metavar="NAME", help="A part of the audio device's name, or a JACK server."
        )
        driver = click.option(
            "--driver",
            type=click.Choice([*DRIVERS, *more]),
            default="auto",
            show_default=True,
            help=what,
        )
        return driver(device(command))

    return decorate
