"""From the song as written to the legs that are played one after the other.

A leg is one pass through a section, the pickup, the count-in, or a hold: the
longest stretch whose length is known. Repeats and endings are written out; a
vamp is one leg that repeats until it is cued; a hold cuts its section in two.

`written` lays bars and tempo along the whole line first; each leg gets its part.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from fractions import Fraction

from syncbox.score.meter import Meter
from syncbox.score.song import Click, Hold, Song
from syncbox.score.tempo import Segment, TempoMap
from syncbox.score.written import (
    Bar,
    PlacedItem,
    WrittenPass,
    cut_map,
    lay_tempo,
    span_ticks,
    write_out,
)

LEG_BARS_MAX = 64  # longer passes are cut, so that placing a leg is always a short job


class LegKind(Enum):
    """What a leg is."""

    COUNT_IN = "count-in"
    PICKUP = "pickup"
    SECTION = "section"
    HOLD = "hold"


class Until(Enum):
    """What ends a leg."""

    END = "end"  # its own length
    CUE = "cue"  # a vamp leaves at the end of the round, a hold at once


@dataclass(frozen=True, slots=True)
class Leg:
    """One stretch of the song with a known length; a hold has no ticks, only seconds."""

    index: int
    kind: LegKind
    section: str
    section_index: int  # -1 before the first section
    pass_no: int
    passes: int
    bars: tuple[Bar, ...]
    section_bars: int  # bars of this pass of the section, over all its legs
    ticks: int
    tempo_map: TempoMap
    items: tuple[PlacedItem, ...] = ()
    until: Until = Until.END
    usual_rounds: int = 1
    hold_seconds: Fraction = Fraction(0)  # its length, or the usual one if it waits for the cue

    @property
    def duration_s(self) -> Fraction:
        """Seconds of one round."""
        return self.hold_seconds if self.kind is LegKind.HOLD else self.tempo_map.duration_s

    def beats(self) -> Iterator[tuple[Bar, int, int]]:
        """Every felt beat as (bar, beat from 0, tick), in order."""
        for bar in self.bars:
            for beat, start in enumerate(bar.meter.beat_starts()):
                if 0 <= bar.start_tick + start < self.ticks:
                    yield bar, beat, bar.start_tick + start


@dataclass(frozen=True, slots=True)
class Route:
    """A song's legs in the order in which they are played."""

    song: Song
    legs: tuple[Leg, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One round of a leg on the usual route. Ticks and seconds are 0 at the downbeat of bar 1."""

    leg: Leg
    round: int  # from 1
    start_tick: int
    start_s: Fraction


# --- legs ------------------------------------------------------------------------------------


def _hold_end(written: WrittenPass, placed: PlacedItem) -> int:
    """Tick in the pass at which a hold stops time: the end of the felt beat it stands on."""
    bar = next(b for b in reversed(written.bars) if b.start_tick <= placed.tick)
    ends = [bar.start_tick + start for start in bar.meter.beat_starts()[1:]]
    ends.append(bar.start_tick + bar.meter.bar_ticks)
    return min(end for end in ends if end > placed.tick)


def _legs_of_pass(written: WrittenPass, segments: Sequence[Segment]) -> Iterator[Leg]:
    """The pass as one leg, or as several with a hold between each two."""
    holds = {_hold_end(written, p): p.what for p in written.items if isinstance(p.what, Hold)}
    section, first = written.section, 0
    base = Leg(
        0,
        LegKind.SECTION,
        section.name,
        written.section_index,
        written.pass_no,
        section.passes,
        (),
        len(written.bars),
        0,
        TempoMap.steady(Fraction(120), 0),
        until=Until.CUE if section.vamp_usual and not holds else Until.END,
        usual_rounds=1 if holds else max(1, section.vamp_usual),
    )
    cuts = {bar.start_tick for bar in written.bars[LEG_BARS_MAX::LEG_BARS_MAX]}
    if base.until is Until.CUE:
        cuts = set()  # a vamp repeats as one
    for end in sorted({*holds, *cuts, written.ticks}):
        bars = tuple(
            replace(bar, start_tick=bar.start_tick - first, continued=bar.start_tick < first)
            for bar in written.bars
            if bar.start_tick < end and bar.start_tick + bar.meter.bar_ticks > first
        )
        items = _items_between(written, first, end)
        place = written.start_tick
        tempo_map = cut_map(segments, place + first, place + end)
        yield replace(base, bars=bars, ticks=end - first, tempo_map=tempo_map, items=items)
        if end in holds:
            yield from _hold_legs(base, holds[end], tempo_map, bars[-1])
        first = end


def _items_between(written: WrittenPass, first: int, end: int) -> tuple[PlacedItem, ...]:
    """A part's items, ticks from its start, led by the click that is in force there."""
    past = [p for p in written.items if p.tick < first and isinstance(p.what, Click)]
    last = end == written.ticks  # what ends with the pass belongs to its last part
    here = [p for p in written.items if first <= p.tick < end or (last and p.tick == end)]
    carried = [replace(past[-1], tick=0)] if past else []
    return (*carried, *(replace(p, tick=p.tick - first) for p in here))


def _hold_legs(base: Leg, hold: Hold, before: TempoMap, bar: Bar) -> Iterator[Leg]:
    """The hold itself and the clicks that lead back in, at the tempo before it."""
    tempo = before.tempo_at(before.ticks)
    waits = hold.seconds is None
    yield replace(
        base,
        kind=LegKind.HOLD,
        tempo_map=TempoMap.steady(tempo, 0),
        until=Until.CUE if waits else Until.END,
        usual_rounds=1,
        hold_seconds=hold.usual_seconds if hold.seconds is None else hold.seconds,
    )
    if hold.count_beats:
        yield replace(
            count_leg(bar.meter, hold.count_beats, tempo),
            section=base.section,
            section_index=base.section_index,
            pass_no=base.pass_no,
            passes=base.passes,
        )


def count_leg(meter: Meter, beats: int, tempo_qpm: Fraction) -> Leg:
    """Clicks for the last so many beats before a bar line."""
    whole, part = divmod(beats, meter.beat_count)
    starts = [*meter.beat_starts(), meter.bar_ticks]
    cut = starts[meter.beat_count - part] if part else meter.bar_ticks  # of the first bar
    count = whole + bool(part)
    ticks = count * meter.bar_ticks - (cut if part else 0)
    bars = tuple(
        Bar(i - count + 1, i + 1, meter, ticks - (count - i) * meter.bar_ticks)
        for i in range(count)
    )
    tempo_map = TempoMap.steady(tempo_qpm, ticks)
    return Leg(0, LegKind.COUNT_IN, "count-in", -1, 1, 1, bars, count, ticks, tempo_map)


def _opening(song: Song, meter: Meter, tempo_qpm: Fraction) -> Iterator[Leg]:
    """Count-in and pickup. A count-in of whole bars in the song's meter includes the pickup."""
    pickup_ticks = 0
    if song.pickup is not None:
        bar = Bar(0, 1, meter, 0)
        pickup_ticks = span_ticks(song.pickup, (bar,), 0)
    count = song.count_in
    counted = count.meter or meter
    beats = count.bars * counted.beat_count + count.beats
    if beats:
        leg = count_leg(counted, beats, tempo_qpm)
        shared = pickup_ticks if count.bars and count.meter in (None, meter) else 0
        yield _shorten(leg, shared) if 0 < shared < leg.ticks else leg
    if pickup_ticks:
        bar = Bar(0, 1, meter, pickup_ticks - meter.bar_ticks)
        tempo_map = TempoMap.steady(tempo_qpm, pickup_ticks)
        yield Leg(0, LegKind.PICKUP, "pickup", -1, 1, 1, (bar,), 1, pickup_ticks, tempo_map)


def _shorten(leg: Leg, ticks: int) -> Leg:
    """A count-in that stops this much before its last bar's end, where the pickup comes in."""
    kept = leg.ticks - ticks
    bars = tuple(bar for bar in leg.bars if bar.start_tick < kept)
    return replace(leg, ticks=kept, bars=bars, tempo_map=cut_map(leg.tempo_map.segments, 0, kept))


def lay_out(song: Song) -> Route:
    """The legs of a song in order. The song must have at least one section with bars."""
    passes = write_out(song)
    segments = lay_tempo(song, passes)
    first_bar = passes[0].bars[0]
    legs = list(_opening(song, first_bar.meter, segments[0].tempo_qpm))
    for written in passes:
        legs.extend(_legs_of_pass(written, segments))
    return Route(song, tuple(replace(leg, index=i) for i, leg in enumerate(legs)))


def usual_path(route: Route) -> tuple[Step, ...]:
    """Every round of every leg as timeline and render assume it, time 0 at the first downbeat."""
    steps: list[Step] = []
    opening = [leg for leg in route.legs if leg.section_index < 0]
    tick = -sum(leg.ticks for leg in opening)
    seconds = -sum((leg.duration_s for leg in opening), Fraction(0))
    for leg in route.legs:
        for round_no in range(1, leg.usual_rounds + 1):
            steps.append(Step(leg, round_no, tick, seconds))
            tick += leg.ticks
            seconds += leg.duration_s
    return tuple(steps)
