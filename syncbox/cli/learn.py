"""`syncbox learn`: press a pedal, and the rig knows what it does."""

from __future__ import annotations

import re
import sys
import time
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from syncbox.errors import ShowError

if TYPE_CHECKING:
    from syncbox.drivers.ear import Ear
    from syncbox.midi.learning import Learned
    from syncbox.midi.ports import SystemPort
    from syncbox.score.problem import Problem
    from syncbox.score.rig import Rig

_LOOK_S = 0.1


class Wanted(NamedTuple):
    """What a control shall do: the command, and what it needs to know."""

    does: str
    section: str = ""  # of a jump
    mix: str = ""  # of a command about a mix
    hold_ms: Fraction = Fraction(0)  # how long it must be held


@click.command(short_help="Press a pedal, and the rig knows what it does.")
@click.argument("show", type=click.Path(path_type=Path))
@click.argument("command", nargs=-1, required=True)
@click.option("--section", metavar="NAME", help="For a jump: the section it goes to.")
@click.option("--mix", metavar="NAME", help="For a command about a mix: which one.")
@click.option("--hold", metavar="TIME", help="Only a press of this length counts: 600ms.")
@click.option("--device", metavar="NAME", help="Listen on the JACK server of this name.")
@click.option(
    "--seconds", type=click.FloatRange(1, 3600), default=30.0, help="How long to wait for a press."
)
@click.option("--yes", is_flag=True, help="Keep what was learned without asking.")
def learn(
    *,
    show: Path,
    command: tuple[str, ...],
    section: str | None,
    mix: str | None,
    hold: str | None,
    device: str | None,
    seconds: float,
    yes: bool,
) -> None:
    """Wait for a pedal, pad or key of SHOW to be pressed; from then on it does COMMAND.

    COMMAND is one of the words that `does` may have in rig.yaml, such as cue or stop at
    bar. The line goes into rig.yaml, where comments and order stay as they are.
    """
    from syncbox.drivers.ear import listening
    from syncbox.score.reading.files import save_text

    wanted = Wanted(_command(" ".join(command)), section or "", mix or "", _hold(hold))
    path, text = _rig_file(show)
    with listening(device) as ear:
        click.echo(f"Listening to {', '.join(port.name for port in ear.ports)}.")
        click.echo(f"Press what shall do '{wanted.does}' once, and let go. Ctrl-C leaves.")
        port, learned = _wait(ear, seconds)
    changed, lines = with_control(text, port, learned, wanted, path)
    save_text(path, changed)
    click.echo(f"{path.name} has a new line:")
    for line in lines:
        click.echo(f"  {line}")
    if yes or not _is_terminal() or click.confirm("Keep it?", default=True):
        return
    save_text(path, text)
    click.echo(f"{path.name} is as it was.")


def _is_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _command(words: str) -> str:
    from syncbox.score.reading.control_tables import COMMANDS
    from syncbox.score.reading.numbers import one_of
    from syncbox.score.reading.report import Mistake

    try:
        return one_of(words.replace("-", " "), {word: word for word in COMMANDS})
    except Mistake as mistake:
        raise click.UsageError(f"{mistake.what}: {mistake.hint}") from None


def _hold(text: str | None) -> Fraction:
    from syncbox.score.reading.control_tables import HOLD_MS_MAX
    from syncbox.score.reading.numbers import milliseconds
    from syncbox.score.reading.report import Mistake

    if text is None:
        return Fraction(0)
    try:
        return milliseconds(text, 100, HOLD_MS_MAX)
    except Mistake as mistake:
        raise click.UsageError(f"--hold: {mistake.what}: {mistake.hint}") from None


def _rig_file(show: Path) -> tuple[Path, str]:
    from syncbox.score.reading.files import find_files, read_text
    from syncbox.score.reading.report import Report

    path = find_files(show).rig
    if path is None:
        raise ShowError(
            "there is no rig.yaml to write into",
            where=str(show),
            hint="write one; `syncbox guide format` shows how",
        )
    problems: list[Problem] = []
    text = read_text(path, Report(str(path), problems))
    if text is None:
        raise ShowError(problems[0].what, where=str(path), hint=problems[0].hint)
    return path, text


def _wait(ear: Ear, seconds: float) -> tuple[SystemPort, Learned]:
    """The first press on any input. Raises DeviceError when none comes."""
    from syncbox.errors import DeviceError
    from syncbox.midi.learning import Learner

    learner = Learner()
    by_name = {port.name: port for port in ear.ports}
    deadline_s = time.monotonic() + seconds
    while time.monotonic() < deadline_s:
        heard = ear.next(_LOOK_S)
        now_s = time.monotonic()
        found = learner.take(heard[0].name, heard[1], now_s) if heard else learner.wait(now_s)
        if found is not None:
            return by_name[found.port], found
    raise DeviceError(
        f"nothing was pressed in {seconds:g} s",
        hint="`syncbox ports` lists the inputs; is the pedal's box switched on?",
    )


def with_control(
    text: str, port: SystemPort, learned: Learned, wanted: Wanted, path: Path
) -> tuple[str, list[str]]:
    """The rig's text with the control that was learned, and the lines that are new.

    Raises ShowError if the rig has errors, also those that the new line would make.
    """
    from syncbox.score.control_checks import check_controls
    from syncbox.score.problem import Severity
    from syncbox.score.reading.control_tables import sign_text
    from syncbox.score.reading.insert import add_item, add_pair, quoted

    rig = _read(text, path)
    lines = []
    own_name = _input_of(rig, port)
    if own_name is None:
        own_name, pattern = _fresh_input(rig, port)
        text = add_pair(text, "inputs", own_name, pattern, source=str(path))
        lines.append(f"inputs: {quoted(own_name)}: {quoted(pattern)}")
    parts = [
        f"does: {wanted.does}",
        f"port: {quoted(own_name)}",
        f"message: {sign_text(learned.sign)}",
    ]
    parts += [f"section: {quoted(wanted.section)}"] if wanted.section else []
    parts += [f"mix: {quoted(wanted.mix)}"] if wanted.mix else []
    parts += [f"hold: {float(wanted.hold_ms):g} ms"] if wanted.hold_ms else []
    parts += ["reversed: yes"] if learned.reversed else []
    parts += ["latching: yes"] if learned.latching else []
    item = "{" + ", ".join(parts) + "}"
    text = add_item(text, "controls", item, source=str(path))
    lines.append(f"controls: {item}")
    for problem in check_controls(_read(text, path), ()):
        if problem.severity is Severity.ERROR:
            raise _as_error(problem)
    return text, lines


def _read(text: str, path: Path) -> Rig:
    from syncbox.score.problem import Severity
    from syncbox.score.reading.rig import read_rig

    problems: list[Problem] = []
    rig = read_rig(text, str(path), problems)
    if rig is None:
        raise _as_error(next(p for p in problems if p.severity is Severity.ERROR))
    return rig


def _as_error(problem: Problem) -> ShowError:
    return ShowError(problem.what, where=str(problem.place), hint=problem.hint)


def _input_of(rig: Rig, port: SystemPort) -> str | None:
    """The rig's input that means a port of the computer."""
    return next((name for name, match in rig.input_ports.items() if port.fits(match)), None)


def _fresh_input(rig: Rig, port: SystemPort) -> tuple[str, str]:
    """A name of its own and a pattern for a port that the rig does not know yet.

    Numbers at the end of a port's name change when a cable is pulled.
    """
    steady = re.sub(r"[\s:]*[\d:]+$", "", port.name)
    pattern = re.sub(r"[*?\[\]]", "?", steady) + "*"
    word = re.sub(r"[^a-z0-9]+", "-", steady.rpartition(":")[2].lower()).strip("-") or "input"
    word = word if word[0].isalpha() else f"input-{word}"
    names = [word, *(f"{word}-{number}" for number in range(2, 99))]
    return next(name for name in names if name not in rig.input_ports), pattern
