"""Bar by bar: where everything is, in music, seconds, frames and clocks. For people and tests."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from syncbox.schedule.place import FrameGrid
from syncbox.score.layout import Leg, LegKind, Step, lay_out, usual_path
from syncbox.score.song import PatchChange, Song
from syncbox.score.written import Bar
from syncbox.units import TICKS_PER_CLOCK, TICKS_PER_SONG_POSITION, round_half_up

SONG_POSITION_MAX = 16_383  # 14 bits: MIDI 1.0 Detailed Specification 4.2.1, Table V


@dataclass(frozen=True, slots=True)
class BarRow:
    """One bar as played. Seconds, frames and clock are 0 at the downbeat of bar 1."""

    bar: int
    section: str
    pass_no: int
    round_no: int
    section_bar: int
    meter: str
    tempo_qpm: Fraction  # at its start
    start_s: Fraction
    start_frame: int
    clock: int  # clocks sent before this bar's first one
    song_position: int | None  # None where no song position points
    patches: dict[str, str]  # newly selected in this bar, by instrument


@dataclass(frozen=True, slots=True)
class Timeline:
    """A whole song on its usual route."""

    song: str
    rate: int
    bars: tuple[BarRow, ...]
    end_s: Fraction
    end_frame: int


def timeline(song: Song, rate: int) -> Timeline:
    """Every bar of a song at a sample rate: count-in, pickup, then the music from bar 1."""
    steps = usual_path(lay_out(song))
    selected: dict[str, str] = {}
    rows = [row for step in steps for row in _step_rows(step, rate, selected)]
    last = steps[-1]
    end_s = last.start_s + last.leg.duration_s
    return Timeline(song.id, rate, tuple(rows), end_s, round_half_up(end_s * rate))


def _step_rows(step: Step, rate: int, selected: dict[str, str]) -> Iterator[BarRow]:
    """The rows of one round; `selected` is what each instrument has so far, and moves on."""
    leg = step.leg
    bars = [bar for bar in leg.bars if not bar.continued]
    counts_back = leg.kind is LegKind.COUNT_IN and leg.section_index >= 0
    if not bars or counts_back:  # clicks after a hold are not bars of the song
        return
    ticks = np.array([bar.first_tick for bar in bars], dtype=np.int64)
    # The engine places bars with the same function, so it cannot disagree by a frame.
    frames = FrameGrid.of(leg.tempo_map, rate).offsets(ticks).frames(step.start_s * rate)
    ends = [bar.first_tick for bar in bars[1:]] + [leg.ticks]
    for bar, end, frame in zip(bars, ends, frames.tolist(), strict=True):
        tick = step.start_tick + bar.first_tick
        yield BarRow(
            _number(bar, step),
            leg.section,
            leg.pass_no,
            step.round,
            bar.section_bar,
            str(bar.meter),
            leg.tempo_map.tempo_at(bar.first_tick),
            step.start_s + leg.tempo_map.seconds_at(bar.first_tick),
            frame,
            -(-tick // TICKS_PER_CLOCK),
            _song_position(tick, counted=leg.kind is LegKind.SECTION),
            _changes(leg, bar.first_tick, end, selected),
        )


def _changes(leg: Leg, first: int, end: int, selected: dict[str, str]) -> dict[str, str]:
    """Patches that differ from what is selected, in [first, end) of a leg."""
    changes: dict[str, str] = {}
    for item in leg.items:
        what = item.what
        if isinstance(what, PatchChange) and first <= item.tick < end:
            if selected.get(what.instrument) != what.patch:
                changes[what.instrument] = what.patch
            selected[what.instrument] = what.patch
    return changes


def _number(bar: Bar, step: Step) -> int:
    """A vamp's rounds count on."""
    return bar.number + (step.round - 1) * len(step.leg.bars)


def _song_position(tick: int, *, counted: bool) -> int | None:
    position, rest = divmod(tick, TICKS_PER_SONG_POSITION)
    reachable = counted and rest == 0 and 0 <= position <= SONG_POSITION_MAX
    return position if reachable else None
