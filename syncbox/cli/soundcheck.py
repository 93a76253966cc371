"""`syncbox soundcheck`: which output is which, one after the other, quietly."""

from __future__ import annotations

import time
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.cli.driver_option import driver_options
from syncbox.errors import DeviceError, EngineError, ShowError

if TYPE_CHECKING:
    from syncbox.cli.leaving import Leaving
    from syncbox.drivers.session import Session
    from syncbox.schedule.program import Program
    from syncbox.score.rig import Mix, Rig

LEVEL_DB = -30.0
TURN_S = 0.05
GAP_S = Fraction(1)  # from one output to the next
FILE = "output {}"  # the name of an output's sound; no file has it


@dataclass(frozen=True, slots=True)
class Output:
    """One output to be tried. `side` is left, right, or empty."""

    number: int
    mix: str
    side: str
    ceiling_db: float

    def __str__(self) -> str:
        side = f", {self.side}" if self.side else ""
        return f"output {self.number}: {self.mix}{side}"


@click.command(short_help="Hear which output is which.")
@click.argument("show", type=click.Path(path_type=Path))
@driver_options()
@click.option(
    "--level",
    type=click.FloatRange(-60.0, -12.0),
    default=LEVEL_DB,
    show_default=True,
    help="Peak of the tone in dB below full scale; a mix's ceiling still holds.",
)
@click.option("--output", type=click.IntRange(1, 64), help="Only this output, counted from 1.")
@click.option("--once", is_flag=True, help="All outputs once, without a key, and leave.")
def soundcheck(
    *,
    show: Path,
    driver: str,
    device: str | None,
    level: float,
    output: int | None,
    once: bool,
) -> int:
    """A tone on each output of SHOW's rig, then beeps that say which one it is.

    As many high beeps as the output's number; on a pair one low beep for left, two for
    right. Take the ears out and turn the amplifiers down before you begin: the tone
    starts quietly, but what is behind the outputs is not known here.
    """
    from syncbox.cli.keys import has_keyboard
    from syncbox.cli.leaving import leaving
    from syncbox.drivers.choose import choose
    from syncbox.drivers.session import open_session

    rig = _rig_of(show)
    outputs = [each for each in outputs_of(rig) if output in (None, each.number)]
    if not outputs:
        raise ShowError(
            f"no mix has output {output}",
            hint=f"the rig's outputs are {', '.join(str(o.number) for o in outputs_of(rig))}",
        )
    by_hand = not once and has_keyboard()
    if not (once or by_hand):
        raise DeviceError("there is no terminal here, so nobody can press a key", hint="add --once")
    with leaving() as leave:
        choice = choose(driver, device)
        click.echo(choice.why)
        program = check_program(outputs, choice.rate, level, waits=by_hand)
        with open_session(program, choice, level_db=0.0, soft_start=False) as session:
            leave.calm = True
            follow(session, outputs, leave, by_hand=by_hand)
    return 128 + leave.asked_by if leave.asked_by else 0


def _rig_of(folder: Path) -> Rig:
    """The rig of a show; its songs need not be right for this."""
    from syncbox.score.problem import Problem, Severity
    from syncbox.score.reading import read_draft

    problems: list[Problem] = []
    draft = read_draft(folder, problems=problems)
    for problem in problems:
        if problem.severity is Severity.ERROR and Path(problem.place.file).stem == "rig":
            raise ShowError(problem.what, where=str(problem.place), hint=problem.hint)
    return draft.show.rig


def outputs_of(rig: Rig) -> list[Output]:
    """Every output that a mix uses, in order."""
    found = [
        Output(channel, mix.name, _side(mix, index), mix.ceiling_db)
        for mix in rig.mixes
        for index, channel in enumerate(mix.channels)
    ]
    return sorted(found, key=lambda output: output.number)


def _side(mix: Mix, index: int) -> str:
    return ("left", "right")[index] if len(mix.channels) == 2 else ""


def check_program(outputs: list[Output], rate: int, level_db: float, *, waits: bool) -> Program:
    """A set with a song for each output, with nothing in it but that output's sound.

    Where it `waits` each song needs a start, else one follows the other.
    """
    from syncbox.audio.tones import output_sound
    from syncbox.audio.voices import click_voices
    from syncbox.cli.one_sound import song_of_sound
    from syncbox.schedule.compile import compile_show
    from syncbox.score.rig import Mix, Rig, SetEntry, SetList, Show, Then
    from syncbox.score.song import AudioKind

    clips, songs, mixes = {}, {}, []
    for output in outputs:
        name = FILE.format(output.number)
        peak_db = min(level_db, output.ceiling_db)
        clips[name] = output_sound(output.number, output.side, peak_db, rate)
        songs[name] = song_of_sound(name, str(output), clips[name], rate, AudioKind.ONE_SHOT)
        mixes.append(Mix(name, (output.number,), {name: 0.0}, output.ceiling_db))
    then = Then.WAIT if waits else Then.GAP
    entries = tuple(SetEntry(name, then, GAP_S) for name in songs)
    show = Show("", Rig(mixes=tuple(mixes)), SetList("Sound check", entries), songs)
    return compile_show(show, rate, clips, click_voices(rate))


def follow(session: Session, outputs: list[Output], leave: Leaving, *, by_hand: bool) -> None:
    """Play all outputs, by hand or one after the other, and name each as it begins."""
    from contextlib import nullcontext

    from syncbox.cli.keys import Keyboard
    from syncbox.engine.transport import Command

    if by_hand:
        click.echo("Enter plays an output, Left goes back, Right skips, Q leaves.")
    keyboard = Keyboard() if by_hand else None
    shown, pressed = -1, False
    with keyboard or nullcontext():
        while not leave.asked_by:
            status = session.status()
            if not status.engine_alive:
                raise EngineError(status.trouble or "the engine has stopped")
            now = status.now
            if now is not None and not pressed and not by_hand:
                session.press(Command.START)
                pressed = True
            if now is not None and now.song_index != shown and (now.bar or by_hand):
                shown = now.song_index
                click.echo(str(outputs[shown]))
            if now is not None and now.sets_over and not by_hand:
                return
            if keyboard is not None and _keys(keyboard, session):
                return
            time.sleep(TURN_S)


def _keys(keyboard: object, session: Session) -> bool:
    """Obey the keys. Whether to leave."""
    from syncbox.cli.keys import Key, Keyboard
    from syncbox.engine.transport import Command

    assert isinstance(keyboard, Keyboard)
    commands = {
        Key.ENTER: Command.START,
        Key.SPACE: Command.START,
        Key.BACKSPACE: Command.STOP,
        Key.LEFT: Command.PREVIOUS_SONG,
        Key.RIGHT: Command.NEXT_SONG,
    }
    for key in keyboard.read():
        if key is Key.QUIT:
            return True
        if key in commands:
            session.press(commands[key])
    return False
