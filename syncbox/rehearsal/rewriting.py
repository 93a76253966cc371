"""Accepted changes of tempo, written into a song's text; all else stays as it was written.

Where a new key goes is tried out: a way counts only if the changed text reads as the
old one with exactly this key more, whatever the style of the file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from fractions import Fraction

from syncbox.errors import ShowError
from syncbox.rehearsal.proposals import QUARTER, SONG, Change, Unit, own_tempo
from syncbox.score.problem import Problem, Severity
from syncbox.score.reading.edit import Path, bare, find, set_value, tree
from syncbox.score.reading.nodes import Mapping, Node, Scalar, compose
from syncbox.score.reading.notes import note_quarters
from syncbox.score.reading.report import Mistake, Report
from syncbox.score.reading.song import read_song

_NEAR_QPM = Fraction(1, 1000)


def rewritten(text: str, changes: Sequence[Change], *, source: str = "") -> str:
    """The song's text with the changes made.

    Raises ShowError where the text cannot take one, or would no longer be a song.
    """
    for change in changes:
        path: Path = () if change.section == SONG else ("sections", change.section)
        text = _set_or_insert(text, path, "tempo", change.unit.tempo(change.to_qpm), source)
        if change.ramp_to_qpm is not None:
            ramp = f"{{to: {change.unit.tempo(change.ramp_to_qpm)}, over: to the end}}"
            text = _insert(text, path, "ramp", ramp, source)
    _must_say(text, changes, source)
    return text


def _must_say(text: str, changes: Sequence[Change], source: str) -> None:
    """Raise ShowError unless the text is a song with the tempi that were meant."""
    problems: list[Problem] = []
    song = read_song(text, source, problems)
    if song is None:
        wrong = [each for each in problems if each.severity is Severity.ERROR]
        raise ShowError(
            "with these tempi it would be no song any more, so nothing was written",
            where=source,
            hint=wrong[0].what if wrong else "",
        )
    for change in changes:
        if change.section == SONG:
            has: Fraction | None = song.tempo_qpm
        else:
            has = own_tempo(song.sections[change.section])
        if has is None or abs(has - change.to_qpm) > _NEAR_QPM:
            raise ShowError(
                f"the tempo of {change.name} is written in another way, so nothing was written",
                where=source,
                hint=f"write it there by hand: {change.unit.tempo(change.to_qpm)}",
            )


def units_of(text: str, *, source: str = "") -> dict[int, Unit]:
    """The note that each tempo counts, as it is written: the song's (SONG) and those of sections.

    Raises ShowError if the text cannot be read.
    """
    root = tree(text, source)
    units: dict[int, Unit] = {}
    if isinstance(root, Mapping):
        units[SONG] = _unit(root.get("tempo")) or QUARTER
        sections = root.get("sections")
        for number, section in enumerate(getattr(sections, "items", ())):
            own = _unit(section.get("tempo")) if isinstance(section, Mapping) else None
            units[number] = own or units[SONG]
    return units


def _unit(node: Node | None) -> Unit | None:
    """The note before the = of a tempo; None where there is none."""
    name, equals, _ = node.text.rpartition("=") if isinstance(node, Scalar) else ("", "", "")
    if not equals:
        return None
    try:
        return Unit(name.strip(), note_quarters(name))
    except Mistake:
        return None


def _set_or_insert(text: str, path: Path, key: str, value: str, source: str) -> str:
    place = find(tree(text, source), path)
    if isinstance(place, Mapping) and place.get(key) is not None:
        return set_value(text, (*path, key), value, source=source)
    return _insert(text, path, key, value, source)


def _insert(text: str, path: Path, key: str, value: str, source: str) -> str:
    """The text with a new key after one of the mapping's first, in the mapping's own style."""
    root = tree(text, source)
    place = find(root, path)
    if isinstance(place, Mapping):
        for after, (name, node) in place.pairs.items():
            wanted = _with_pair(root, path, after, (key, value))
            for fresh in _ways(text, name, node, f"{key}: {value}"):
                if _reads_as(fresh, wanted):
                    return fresh
    where = f"{source}:{place.line}" if isinstance(place, Mapping | Scalar) else source
    raise ShowError(
        f"there is no place for a {key} here that leaves all else as it is",
        where=where,
        hint=f"write it there by hand: {key}: {value}",
    )


def _ways(text: str, name: Scalar, node: Node, pair: str) -> Iterator[str]:
    """Texts with a pair more behind one that is there: as a line of its own, or in the line."""
    if not isinstance(node, Scalar):
        return
    line_end = text.find("\n", node.end)
    line_end = len(text) if line_end < 0 else line_end
    begin = text.rfind("\n", 0, name.start) + 1
    indent = re.sub(r"[^ ]", " ", text[begin : name.start])
    newline = "\r" if text[line_end - 1 : line_end] == "\r" else ""
    yield f"{text[: node.end]}, {pair}{text[node.end :]}"
    yield f"{text[:line_end]}\n{indent}{pair}{newline}{text[line_end:]}"


def _with_pair(root: Node, path: Path, after: str, pair: tuple[str, str]) -> object:
    """The bare tree with a pair more in the mapping at a path, behind the key `after`."""
    if path:
        step, rest = path[0], path[1:]
        if isinstance(root, Mapping):
            return [
                (name, _with_pair(node, rest, after, pair) if name == step else bare(node))
                for name, (_, node) in root.pairs.items()
            ]
        items = getattr(root, "items", ())
        return [
            _with_pair(node, rest, after, pair) if number == step else bare(node)
            for number, node in enumerate(items)
        ]
    assert isinstance(root, Mapping)
    value = compose(pair[1], Report("", []))
    assert value is not None, pair
    out: list[tuple[str, object]] = []
    for name, (_, node) in root.pairs.items():
        out.append((name, bare(node)))
        if name == after:
            out.append((pair[0], bare(value)))
    return out


def _reads_as(text: str, wanted: object) -> bool:
    report = Report("", [])
    after = compose(text, report)
    return after is not None and not report.errors and bare(after) == wanted
