"""`syncbox try`: hear a patch at home, before it is written into a song."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.cli.driver_option import driver_options
from syncbox.errors import DeviceError, ShowError

if TYPE_CHECKING:
    from syncbox.drivers.session import Session
    from syncbox.score.rig import Instrument, Rig, Show

_PORT_PATIENCE_S = 3.0
_SETTLE_S = 0.3  # a burst on a slow wire is over by then


@click.command("try", short_help="Select a patch on an instrument, to hear it.")
@click.argument("show", type=click.Path(path_type=Path))
@click.argument("instrument")
@click.argument("patch", required=False)
@driver_options("What sends it; auto takes the best that is present.")
def audition(
    *, show: Path, instrument: str, patch: str | None, driver: str, device: str | None
) -> int:
    """Select PATCH on INSTRUMENT of SHOW, written as in a song: a name or what the panel shows.

    On a terminal, Left and Right then step through the instrument's named patches;
    Q leaves. Without PATCH it begins with the first name.
    """
    from syncbox.cli.leaving import leaving
    from syncbox.cli.prepare import compiled, playable_show
    from syncbox.drivers.choose import choose
    from syncbox.drivers.session import open_session

    found = playable_show(show)
    chosen = _instrument(found.rig, instrument)
    names = list(chosen.patch_names)
    first = patch or (names[0] if names else None)
    if first is None:
        raise ShowError(
            f"{instrument} has no named patches to step through",
            hint=f"name one: syncbox try {show} {instrument} 17",
        )
    index = found.rig.instruments.index(chosen)
    _argument(chosen, index, first)  # a wrong patch is said before anything is opened
    with leaving() as leave:
        choice = choose(driver, device)
        click.echo(choice.why)
        with open_session(compiled(_silent(found), choice.rate), choice) as session:
            leave.calm = True
            _wait_for_port(session, chosen)
            hearing = _Audition(session, chosen, index, first)
            hearing.send()
            time.sleep(_SETTLE_S)
            hearing.step_through(leave_asked=lambda: bool(leave.asked_by))
    return 0


def _instrument(rig: Rig, name: str) -> Instrument:
    for instrument in rig.instruments:
        if instrument.name.casefold() == name.casefold():
            return instrument
    names = ", ".join(each.name for each in rig.instruments) or "none"
    raise ShowError(f"the rig has no instrument {name!r}", hint=f"it has {names}")


def _argument(instrument: Instrument, index: int, text: str) -> int:
    """What SELECT_PATCH wants. Raises ShowError for a patch that the panel does not have."""
    from syncbox.engine.override import choice
    from syncbox.midi.panel import instrument_patch

    try:
        found = instrument_patch(instrument, text)
    except ValueError as error:
        raise ShowError(str(error)) from None
    return choice(index, ((found.msb or 0) << 14) | ((found.lsb or 0) << 7) | found.program)


def _silent(show: Show) -> Show:
    """The show's rig with a song in which nothing happens, so that nothing else is sent."""
    from dataclasses import replace
    from fractions import Fraction

    from syncbox.score.rig import SetEntry, SetList
    from syncbox.score.song import Body, Section, Song

    song = Song("audition", "Audition", Fraction(120), (Section("Audition", Body(1)),))
    return replace(
        show,
        songs={song.id: song},
        set_list=SetList("Audition", (SetEntry(song.id),)),
    )


def _wait_for_port(session: Session, instrument: Instrument) -> None:
    """A port takes a moment to be connected. Raises DeviceError if it does not come."""
    until = time.monotonic() + _PORT_PATIENCE_S
    while True:
        state = next(p for p in session.status().ports if p.name == instrument.port)
        if not state.missing:
            return
        if time.monotonic() > until:
            raise DeviceError(
                f"the port {instrument.port} of {instrument.name} is not there",
                hint="plug it in; `syncbox ports SHOW` lists what is found",
            )
        time.sleep(0.05)


class _Audition:
    """One instrument's patches, one after the other."""

    def __init__(self, session: Session, instrument: Instrument, index: int, text: str) -> None:
        self._session = session
        self._instrument = instrument
        self._index = index
        self._names = list(instrument.patch_names) or [text]
        if text not in self._names:
            self._names.insert(0, text)
        self._at = self._names.index(text)

    def send(self) -> None:
        from syncbox.engine.transport import Command, packed

        text = self._names[self._at]
        argument = _argument(self._instrument, self._index, text)
        self._session.press(packed(Command.SELECT_PATCH, argument))
        shown = self._instrument.patch_names.get(text, "")
        click.echo(f"{self._instrument.name}: {text}" + (f" ({shown})" if shown else ""))

    def step_through(self, leave_asked: Callable[[], bool]) -> None:
        """Left, Right, Space again, Esc panic, Q leaves; nothing without a terminal."""
        from syncbox.cli.keys import Key, Keyboard, has_keyboard
        from syncbox.engine.transport import Command

        if not has_keyboard():
            return
        click.echo("Left Right another patch   Space again   Esc panic   Q leave")
        steps = {Key.LEFT: -1, Key.RIGHT: 1, Key.SPACE: 0}
        with Keyboard() as keyboard:
            while not leave_asked():
                for key in keyboard.read():
                    if key is Key.QUIT:
                        return
                    if key is Key.ESCAPE:
                        self._session.press(Command.PANIC)
                    elif key in steps:
                        self._at = (self._at + steps[key]) % len(self._names)
                        self.send()
                time.sleep(0.03)
