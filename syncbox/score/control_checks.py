"""What can be wrong with pedals and zones: names without meaning, presses with two."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from difflib import get_close_matches

from syncbox.score.controls import Control, Zone
from syncbox.score.problem import Problem, Severity
from syncbox.score.rig import Rig
from syncbox.score.song import Song


def check_controls(rig: Rig, songs: Iterable[Song]) -> Iterator[Problem]:
    """Controls that clash with each other, and jumps to sections that no song has."""
    sections = {section.name for song in songs for section in song.sections}
    for index, control in enumerate(rig.controls):
        if control.section and control.section not in sections:
            yield Problem(
                control.place,
                f"no song has a section '{control.section}'",
                _guess(control.section, sections, "write the name of a section"),
                Severity.WARNING,
            )
        mixes = [mix.name for mix in rig.mixes]
        if control.mix and control.mix not in mixes:
            yield Problem(
                control.place,
                f"there is no mix '{control.mix}'",
                _guess(control.mix, mixes, "write the name of a mix"),
            )
        for other in rig.controls[:index]:
            if _same_press(control, other):
                yield Problem(
                    control.place,
                    f"the same press does '{other.does}' already on line {other.place.line}",
                    "give one of them another message, or hold: 600 ms for a long press",
                )
                break


def _same_press(one: Control, other: Control) -> bool:
    a, b = one.sign, other.sign
    if one.port != other.port or a.kind is not b.kind:
        return False
    if bool(one.hold_ms) != bool(other.hold_ms):
        return False
    channels = a.channel == b.channel or 0 in (a.channel, b.channel)
    return channels and a.low <= b.high and b.low <= a.high


def check_zones(rig: Rig, songs: Iterable[Song]) -> Iterator[Problem]:
    """Keyboards and instruments that the rig does not have."""
    yield from _check_names(rig.zones, rig)
    for song in songs:
        yield from _check_names(song.zones, rig)
        for section in song.sections:
            yield from _check_names(section.zones, rig)


def _check_names(zones: Iterable[Zone], rig: Rig) -> Iterator[Problem]:
    instruments = [instrument.name for instrument in rig.instruments]
    for zone in zones:
        if zone.input not in rig.input_ports:
            yield Problem(
                zone.place,
                f"'{zone.input}' is not an input of the rig",
                _guess(zone.input, rig.input_ports, "write it in rig.yaml under 'inputs'"),
            )
        if zone.instrument and zone.instrument not in instruments:
            yield Problem(
                zone.place,
                f"'{zone.instrument}' is not an instrument of the rig",
                _guess(zone.instrument, instruments, "write it in rig.yaml under 'instruments'"),
            )


def _guess(word: str, known: Iterable[str], nothing: str) -> str:
    known = list(known)
    found = get_close_matches(word[:60], known, n=1)
    if found:
        return f"did you mean '{found[0]}'?"
    return f"there are {', '.join(known)}" if known else nothing
