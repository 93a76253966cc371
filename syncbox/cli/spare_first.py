"""What the first computer does for its spare: asks whether it plays already, then tells it all."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.cli.keys import has_keyboard
from syncbox.cli.spare_sign import own_card
from syncbox.cli.spare_view import first_line, first_view
from syncbox.drivers.beacon import BeaconHost, BeaconJob
from syncbox.drivers.spare_post import Address, Post, address_of
from syncbox.drivers.spare_words import Letter, Word
from syncbox.errors import DeviceError

if TYPE_CHECKING:
    from syncbox.cli.perform import Performance
    from syncbox.drivers.session import Session
    from syncbox.score.rig import Show

_ASK_S = 1.0
_PLAYS = """\
THE SPARE COMPUTER PLAYS THE SHOW AT THIS MOMENT.
If this one is started too, both sound: two clicks in every ear, two clocks
into every box. Leave this one silent, and let it go along with the spare:
"""

Beside = Callable[["Session"], AbstractContextManager[None]]


@contextmanager
def telling_spare(
    spare_at: str | None,
    performance: Performance,
    show: tuple[Path, Show],
    entry: tuple[str | None, str | None],
    rate: int,
) -> Iterator[Beside | None]:
    """Gives what shall run beside the session of a first computer; None where there is no spare.

    `show` is a folder and what was read from it, `entry` the song and the place where it
    begins. The spare hears goodbye after the session has ended, and so where it stopped.
    Raises DeviceError where the spare plays already and nobody wants both.
    """
    from syncbox.engine.state import Now

    if spare_at is None:
        yield None
        return
    address = address_of(spare_at)
    own, letter = own_card(*show, rate, (entry[0] or "", entry[1] or ""))
    if is_playing(address, letter):
        _warn(show[0], spare_at)
    with ExitStack() as after:

        @contextmanager
        def beside(session: Session) -> Iterator[None]:
            job = BeaconJob(session.deck_name, Now, own, letter, address)
            beacon = after.enter_context(BeaconHost(job))
            performance.change_view = lambda view: first_view(view, beacon.heard)
            performance.side_line = lambda: first_line(beacon.heard)
            yield

        yield beside


def is_playing(address: Address, letter: Letter, wait_s: float = _ASK_S) -> bool:
    """Whether a computer there says that it plays. Takes as long as nobody answers."""
    post = Post()
    deadline_s = time.monotonic() + wait_s
    try:
        while time.monotonic() < deadline_s:
            post.send(letter, address)
            post.wait(wait_s / 5)
            for arrived in post.read():
                if isinstance(arrived.said, Word):
                    return bool(arrived.said.playing)
    finally:
        post.close()
    return False


def _warn(folder: Path, spare_at: str) -> None:
    command = f"syncbox spare {folder} --first {spare_at}"
    click.echo(f"{_PLAYS}\n    {command}\n", err=True)
    if not has_keyboard():
        raise DeviceError("the spare computer plays, so this one does not begin", hint=command)
    if not click.confirm("Begin here all the same, so that both play?", default=False):
        raise DeviceError("not begun: the spare computer plays", hint=command)
