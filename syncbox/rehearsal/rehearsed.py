"""Recordings of `rehearse` cut into their rounds: each is a take of a part of the song.

The log of takes knows where each round's first beat lies in the recording, which
sections were played and how fast, so a round is held against the map as it was heard.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from syncbox.rehearsal.chart import chart_of
from syncbox.rehearsal.onsets import STEP_S, Onsets, part_of
from syncbox.rehearsal.reading import SlipRow, TakeReading, read_take
from syncbox.rehearsal.takes import TAKES_FOLDER, Take, read_takes
from syncbox.score.layout import LegKind
from syncbox.score.night import tonight
from syncbox.score.rig import SetEntry, TempoTrim
from syncbox.score.rounds import Practice, practice_steps
from syncbox.score.song import At, Modulation, Section, Song, TempoStep

_BEFORE_S = 0.3  # heard before the count-in begins by the map


@dataclass(frozen=True, slots=True)
class RoundPart:
    """One round: the part of the song that was played, and where its first beat is recorded."""

    number: int  # from 1
    speed: Fraction  # of the map's tempo; the part is as fast as that
    part: Song
    bars_before: int  # of the song, before the part's first bar
    sections_before: int
    first_beat_s: float
    begin_s: float  # of its count-in
    end_s: float  # where the next one's count-in begins


def rounds_of(show: Path, song: Song, recording: Path) -> list[RoundPart]:
    """The rounds of a recording, if the show's log of takes knows it; else none.

    `song` is tonight's. Raises ShowError for a section that it no longer has.
    """
    if recording.resolve().parent != (show / TAKES_FOLDER).resolve():
        return []
    takes, _ = read_takes(show, song.id)
    for take in reversed(takes):
        if take.recording == recording.name and take.rate > 0:
            return _rounds(song, take)
    return []


def _rounds(song: Song, take: Take) -> list[RoundPart]:
    found: list[RoundPart] = []
    for each in reversed(take.rounds):
        if each.first_frame is None:
            continue
        speed, at_s = Fraction(each.speed), each.first_frame / take.rate
        part, first = part_of_song(song, take.first_section, take.last_section, speed)
        before = next(bar.number for bar in chart_of(song).bars if bar.section_index == first) - 1
        chart = chart_of(part)
        begin_s = at_s - sum(bar.seconds for bar in chart.bars[: chart.first])
        end_s = found[-1].begin_s if found else math.inf
        found.append(RoundPart(each.number, speed, part, before, first, at_s, begin_s, end_s))
    return found[::-1]


def part_of_song(song: Song, first: str, last: str, speed: Fraction) -> tuple[Song, int]:
    """Sections of a song, by name as `rehearse` takes them, as a song of that speed.

    Also the index of the first section in the song. Raises ShowError for a section that
    is not there.
    """
    steps = practice_steps(song, Practice(first, last))
    legs = [step.leg for step in steps if step.leg.kind is not LegKind.COUNT_IN]
    begin, end = legs[0].section_index, legs[-1].section_index
    sections = song.sections[begin : end + 1]
    part = song
    if (begin, end + 1) != (0, len(song.sections)):
        part = replace(
            song,
            tempo_qpm=legs[0].tempo_map.tempo_at(0),
            meter=legs[0].bars[0].meter,
            pickup=None if begin else song.pickup,
            sections=(_without_tempo(sections[0]), *sections[1:]) if begin else sections,
        )
    return tonight(part, SetEntry(song.id, trim=TempoTrim(speed))), begin


def _without_tempo(section: Section) -> Section:
    """A section without a tempo at its begin: the song's says it."""
    kept = tuple(
        item
        for item in section.body.items
        if not (item.at == At() and isinstance(item.what, TempoStep | Modulation))
    )
    return replace(section, body=replace(section.body, items=kept))


def read_rounds(onsets: Onsets, rounds: Sequence[RoundPart]) -> list[TakeReading]:
    """Each round of a recording held against its part; bars are numbered as in the song."""
    return [_read(onsets, each) for each in rounds]


def _read(onsets: Onsets, one: RoundPart) -> TakeReading:
    begin_s = round(max(0.0, one.begin_s - _BEFORE_S) / STEP_S) * STEP_S
    heard = part_of(onsets, begin_s, min(one.end_s, onsets.duration_s))
    found = read_take(one.part, heard, locked_at_s=one.first_beat_s - begin_s)
    return _numbered(found, one, begin_s)


def _numbered(found: TakeReading, one: RoundPart, begin_s: float) -> TakeReading:
    """A reading with the song's numbers of bars and the recording's times."""

    def number(bar: int) -> int:
        return bar + one.bars_before if bar > 0 else bar

    def slips(rows: Sequence[SlipRow]) -> tuple[SlipRow, ...]:
        return tuple(
            replace(
                row,
                bars=tuple(map(number, row.bars)),
                from_bar=number(row.from_bar),
                to_bar=number(row.to_bar),
            )
            for row in rows
        )

    found = found.later(begin_s)
    return replace(
        found,
        beats=tuple(replace(row, bar=number(row.bar)) for row in found.beats),
        bars=tuple(replace(row, bar=number(row.bar)) for row in found.bars),
        sections=tuple(
            replace(
                row,
                first_bar=number(row.first_bar),
                last_bar=number(row.last_bar),
                section_index=row.section_index + one.sections_before,
            )
            for row in found.sections
        ),
        missing_bars=slips(found.missing_bars),
        extra_bars=slips(found.extra_bars),
    )
