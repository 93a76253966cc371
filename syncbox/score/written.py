"""The written line of a song: every pass written out, and tempo laid along it.

Repeats and endings are written out here and a vamp stands once. Tempo is laid
along the whole line, because a ramp may cross sections, and cut into one map
for each stretch afterwards. Every pass through a section begins at the tempo and
meter of its first pass unless the section says otherwise.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from syncbox.score.meter import Meter
from syncbox.score.song import (
    At,
    AudioKind,
    Body,
    Click,
    EndLoop,
    Happening,
    Hold,
    Item,
    MeterChange,
    Modulation,
    PlayAudio,
    Ramp,
    Section,
    Song,
    Span,
    TempoStep,
)
from syncbox.score.tempo import RampCurve, Segment, TempoMap
from syncbox.units import TICKS_PER_QUARTER


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar as played on the usual route.

    `number` counts from 1 at the first downbeat; the pickup is bar 0 and the
    count-in goes back from there. `start_tick` is in the leg and negative where
    the bar's head lies before it: in a pickup or a partial count-in, and after a
    hold, where `continued` says that the bar was already listed.
    """

    number: int
    section_bar: int
    meter: Meter
    start_tick: int
    continued: bool = False

    @property
    def first_tick(self) -> int:
        """Where the bar begins to sound in its leg."""
        return max(0, self.start_tick)


@dataclass(frozen=True, slots=True)
class PlacedItem:
    """Something that happens at a tick of a leg."""

    tick: int
    what: Happening
    item: Item


# --- writing the passes out -----------------------------------------------------------------


@dataclass(slots=True)
class WrittenPass:
    """A pass through a section on the written line, before tempo is known."""

    section: Section
    section_index: int
    pass_no: int
    start_tick: int
    bars: list[Bar] = field(default_factory=list)  # ticks from the start of the pass
    items: list[PlacedItem] = field(default_factory=list)
    ticks: int = 0


def _add_body(target: WrittenPass, body: Body, meter: Meter, number: int) -> Meter:
    """Append a body's bars and items; gives the meter at its end."""
    first_bar = len(target.bars)
    meters = {
        item.at.bar: item.what.meter for item in body.items if isinstance(item.what, MeterChange)
    }
    for bar in range(1, body.bars + 1):
        meter = meters.get(bar, meter)
        target.bars.append(Bar(number + bar - 1, first_bar + bar, meter, target.ticks))
        target.ticks += meter.bar_ticks
    for item in body.items:
        if item.passes is not None and target.pass_no not in item.passes:
            continue
        bar_there = target.bars[first_bar + item.at.bar - 1]
        tick = bar_there.start_tick + bar_there.meter.tick_of_beat(item.at.beat)
        target.items.append(PlacedItem(tick, item.what, item))
    return meter


def write_out(song: Song) -> list[WrittenPass]:
    """Every pass in order, a vamp once; items sorted by tick, file order within a tick."""
    passes: list[WrittenPass] = []
    meter, tick, number = song.meter, 0, 1
    for index, section in enumerate(song.sections):
        entry = meter
        for pass_no in range(1, section.passes + 1):
            written = WrittenPass(section, index, pass_no, tick)
            if not any(isinstance(i.what, Click) and i.at == At() for i in section.body.items):
                written.items.append(PlacedItem(0, song.click, Item(At(), song.click)))
            meter = _add_body(written, section.body, entry, number)
            if section.endings:
                ending = section.endings[min(pass_no, len(section.endings)) - 1]
                meter = _add_body(written, ending, meter, number + section.body.bars)
            written.items.extend(_loop_items(written))
            written.items.sort(key=lambda placed: placed.tick)
            passes.append(written)
            tick += written.ticks
            holds = any(isinstance(p.what, Hold) for p in written.items)
            number += len(written.bars) * (1 if holds else max(1, section.vamp_usual))
    return passes


def _loop_items(written: WrittenPass) -> list[PlacedItem]:
    """Every further start of the pass's loops, in the same place of a later bar, and their ends."""
    added = []
    for placed in written.items:
        play = placed.what
        if not isinstance(play, PlayAudio) or play.kind is not AudioKind.LOOP:
            continue
        bars = written.bars
        index = sum(1 for bar in bars if bar.start_tick <= placed.tick) - 1
        within = placed.tick - bars[index].start_tick
        again = bars[index + play.every_bars :: play.every_bars] if play.every_bars else []
        added += [PlacedItem(bar.start_tick + within, play, placed.item) for bar in again]
        added.append(PlacedItem(written.ticks, EndLoop(play.source), placed.item))
    return added


# --- tempo along the written line -----------------------------------------------------------


class _TempoLine:
    """Collects segments from left to right; a ramp ends by itself or at the next tempo."""

    def __init__(self, tempo_qpm: Fraction) -> None:
        self.segments: list[Segment] = []
        self.tempo_qpm = tempo_qpm  # at `tick`
        self.tick = 0
        self.curve: RampCurve | None = None
        self.curve_start = 0

    def _append(self, until: int) -> None:
        if until > self.tick:
            before = self.tick - self.curve_start if self.curve else 0
            span = until - self.tick
            segment = Segment(self.tick, span, self.tempo_qpm, self.curve, before)
            self.segments.append(segment)
            self.tempo_qpm, self.tick = segment.tempo_at(span), until

    def advance(self, until: int) -> None:
        """Go on to a tick with whatever tempo rule holds."""
        if self.curve is not None:
            end = self.curve_start + int(self.curve.quarters * TICKS_PER_QUARTER)
            self._append(min(until, end))
            if self.tick >= end:
                self.curve = None
        self._append(until)

    def set(self, tempo_qpm: Fraction) -> None:
        self.tempo_qpm, self.curve = tempo_qpm, None

    def ramp(self, ramp: Ramp, ticks: int) -> None:
        if ticks <= 0 or ramp.to_qpm == self.tempo_qpm:
            self.set(ramp.to_qpm)
            return
        quarters = Fraction(ticks, TICKS_PER_QUARTER)
        self.curve = RampCurve(self.tempo_qpm, ramp.to_qpm, quarters, ramp.shape)
        self.curve_start = self.tick


def span_ticks(span: Span, bars: Sequence[Bar], tick: int) -> int:
    """Ticks of a span from `tick` of a run of bars; past their end the last meter goes on.

    A span of bars from the middle of a bar ends at the same place of a later bar.
    """
    index = max(0, bisect_right(bars, tick, key=lambda bar: bar.start_tick) - 1)
    total = span.ticks
    for step in range(span.bars):
        total += bars[min(index + step, len(bars) - 1)].meter.bar_ticks
    meter = bars[min(index, len(bars) - 1)].meter
    whole, part = divmod(span.beats, meter.beat_count)
    total += int(whole) * meter.bar_ticks
    if part:
        total += _beats_from(meter, tick - bars[index].start_tick, part)
    return total


def _beats_from(meter: Meter, tick_in_bar: int, beats: Fraction) -> int:
    """Ticks of fewer beats than a bar has, counted from a place in a bar of this meter."""
    starts: list[int] = [*meter.beat_starts(), meter.bar_ticks]
    starts += [meter.bar_ticks + start for start in starts[1:]]
    first = max(i for i, start in enumerate(starts) if start <= tick_in_bar)
    whole = int(beats)
    length = starts[first + whole + 1] - starts[first + whole]
    return starts[first + whole] - starts[first] + round((beats - whole) * length)


def lay_tempo(song: Song, passes: list[WrittenPass]) -> list[Segment]:
    """Segments of the whole written line."""
    all_bars = [
        replace(bar, start_tick=bar.start_tick + p.start_tick) for p in passes for bar in p.bars
    ]
    line = _TempoLine(song.tempo_qpm)
    entry_qpm = song.tempo_qpm
    for written in passes:
        line.advance(written.start_tick)
        if written.pass_no == 1:
            entry_qpm = line.tempo_qpm
        else:
            line.set(entry_qpm)
        for placed in written.items:
            tick = written.start_tick + placed.tick
            match placed.what:
                case TempoStep(tempo_qpm):
                    line.advance(tick)
                    line.set(tempo_qpm)
                case Modulation(old, new):
                    line.advance(tick)
                    line.set(line.tempo_qpm * new / old)
                case Ramp() as ramp:
                    line.advance(tick)
                    to_end = written.start_tick + written.ticks - tick
                    span = to_end if ramp.over.to_end else span_ticks(ramp.over, all_bars, tick)
                    line.ramp(ramp, span)
                case _:
                    pass
    line.advance(passes[-1].start_tick + passes[-1].ticks)
    return line.segments


def cut_map(segments: Sequence[Segment], first: int, last: int) -> TempoMap:
    """The part of a line between two ticks as a map of its own, from tick 0."""
    parts: list[Segment] = []
    for segment in segments:
        start, end = max(first, segment.start_tick), min(last, segment.start_tick + segment.ticks)
        if start < end:
            within = start - segment.start_tick
            parts.append(
                Segment(
                    start - first,
                    end - start,
                    segment.tempo_at(within),
                    segment.curve,
                    segment.curve_tick + within if segment.curve else 0,
                )
            )
    return TempoMap(parts)
