"""A press that was learned becomes a line of the rig's text; whatever else is in it stays. Pure."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

from syncbox.errors import ShowError
from syncbox.midi.learning import Learned
from syncbox.midi.ports import SystemPort
from syncbox.score.control_checks import check_controls
from syncbox.score.problem import Problem, Severity
from syncbox.score.reading.control_tables import COMMANDS, HOLD_MS_MAX, sign_text
from syncbox.score.reading.insert import add_item, add_pair, quoted
from syncbox.score.reading.numbers import milliseconds, one_of
from syncbox.score.reading.rig import read_rig
from syncbox.score.rig import Rig

_HOLD_MS_MIN = 100


class Wanted(NamedTuple):
    """What a control shall do: the command, and what it needs to know."""

    does: str
    section: str = ""  # of a jump
    mix: str = ""  # of a command about a mix
    hold_ms: Fraction = Fraction(0)  # how long it must be held


def command_of(words: str) -> str:
    """A command by its words. Raises Mistake."""
    return one_of(words.replace("-", " "), {word: word for word in COMMANDS})


def hold_of(text: str) -> Fraction:
    """How long a press must be held, in milliseconds; 0 for an empty text. Raises Mistake."""
    return milliseconds(text, _HOLD_MS_MIN, HOLD_MS_MAX) if text else Fraction(0)


def with_control(
    text: str, port: SystemPort, learned: Learned, wanted: Wanted, path: Path
) -> tuple[str, list[str]]:
    """The rig's text with the control that was learned, and the lines that are new.

    Raises ShowError if the rig has errors, also those that the new line would make.
    """
    rig = rig_of(text, path)
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
    for problem in check_controls(rig_of(text, path), ()):
        if problem.severity is Severity.ERROR:
            raise _as_error(problem)
    return text, lines


def rig_of(text: str, path: Path) -> Rig:
    """The rig that a text says. Raises ShowError with its first error."""
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
