"""Accepted changes of tempo, written into a song's text; all else stays as it was written."""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction

from syncbox.errors import ShowError
from syncbox.rehearsal.proposals import Change
from syncbox.score.problem import Problem
from syncbox.score.reading.edit import find, set_value
from syncbox.score.reading.nodes import Mapping, Scalar, compose
from syncbox.score.reading.report import Report


def rewritten(text: str, changes: Sequence[Change], *, source: str = "") -> str:
    """The song's text with the changes made. Raises ShowError where the text cannot take one."""
    for change in changes:
        if change.section < 0:
            text = _set_or_insert(text, (), "tempo", _quarter(change.to_qpm), source)
            continue
        path = ("sections", change.section)
        text = _set_or_insert(text, path, "tempo", _quarter(change.to_qpm), source)
        if change.ramp_to_qpm is not None:
            ramp = f"{{to: {_quarter(change.ramp_to_qpm)}, over: to the end}}"
            text = _insert(text, path, "ramp", ramp, source)
    return text


def _quarter(tempo_qpm: Fraction) -> str:
    number = f"{float(tempo_qpm):.1f}"
    return f"quarter = {number.removesuffix('.0')}"


def _root(text: str, source: str) -> Mapping:
    problems: list[Problem] = []
    root = compose(text, Report(source, problems))
    if not isinstance(root, Mapping) or problems:
        raise ShowError("the song file cannot be read", where=source)
    return root


def _set_or_insert(
    text: str, path: tuple[str | int, ...], key: str, value: str, source: str
) -> str:
    place = find(_root(text, source), path)
    if isinstance(place, Mapping) and place.get(key) is not None:
        return set_value(text, (*path, key), value, source=source)
    return _insert(text, path, key, value, source)


def _insert(text: str, path: tuple[str | int, ...], key: str, value: str, source: str) -> str:
    """The text with a new key after the mapping's first one, in the mapping's own style."""
    place = find(_root(text, source), path)
    if not isinstance(place, Mapping) or not place.pairs:
        raise ShowError("there is no section to write a tempo into", where=source)
    first = next(iter(place.pairs.values()))[1]
    if not isinstance(first, Scalar):
        raise ShowError("this section cannot be changed by program", where=f"{source}:{first.line}")
    begin = text.rfind("\n", 0, first.start) + 1
    line_end = text.find("\n", first.start)
    line_end = len(text) if line_end < 0 else line_end
    head = text[begin : first.start]
    if "{" in head:  # all on one line
        return f"{text[: first.end]}, {key}: {value}{text[first.end :]}"
    indent = re.sub(r"[^ ]", " ", head[: re.match(r"[ \-]*", head).end()])  # type: ignore[union-attr]
    newline = "\r" if text[line_end - 1 : line_end] == "\r" else ""
    return f"{text[:line_end]}\n{indent}{key}: {value}{newline}{text[line_end:]}"
