"""What the first computer does for its spare: asks whether it plays already, then tells it all.

What it tells of itself is kept for a host that comes later, so that the spare goes on hearing
the same computer.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.cli.keys import has_keyboard
from syncbox.cli.spare_sign import own_card
from syncbox.cli.spare_view import first_line, first_view
from syncbox.drivers.beacon import BeaconHost, BeaconJob
from syncbox.drivers.spare_post import Address, Post, address_of
from syncbox.drivers.spare_rules import Own
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


@dataclass(frozen=True, slots=True)
class Told:
    """What a spare computer is told of the first one, and where it is."""

    own: Own
    letter: Letter
    spare: Address


def card_for_spare(
    spare_at: str | None, show: tuple[Path, Show], entry: tuple[str, str], rate: int
) -> Told | None:
    """What the spare at an address shall be told; None where there is none.

    `show` is a folder and what was read from it, `entry` the song and the place where it
    begins. Raises DeviceError for an address that is none.
    """
    if spare_at is None:
        return None
    address = address_of(spare_at)
    return Told(*own_card(*show, rate, entry), address)


def at_another_address(told: Told, spare_at: str | None) -> Told:
    """The same for the spare at an address, if one is given."""
    return told if spare_at is None else replace(told, spare=address_of(spare_at))


def card_of_beginning(
    spare_at: str | None, show: tuple[Path, Show], entry: tuple[str, str], rate: int
) -> Told | None:
    """The same for a show that begins here.

    Raises DeviceError, too, where the spare plays already and nobody wants both.
    """
    told = card_for_spare(spare_at, show, entry, rate)
    if told is not None and is_playing(told.spare, told.letter):
        _warn(show[0], spare_at or told.spare[0])
    return told


@contextmanager
def telling_spare(
    told: Told | None, performance: Performance, *, must: bool = True
) -> Iterator[Beside | None]:
    """Gives what shall run beside the session of a first computer; None where there is no spare.

    The spare hears goodbye after the session has ended, and so where it stopped. `must`: see
    `BeaconHost`.
    """
    from syncbox.engine.state import Now

    if told is None:
        yield None
        return
    with ExitStack() as after:

        @contextmanager
        def beside(session: Session) -> Iterator[None]:
            job = BeaconJob(session.deck_name, Now, told.own, told.letter, told.spare)
            beacon = after.enter_context(BeaconHost(job, must=must))
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
