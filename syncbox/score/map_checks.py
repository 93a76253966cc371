"""Checks that need the song laid out in time: tempo range, ramps, repeats, song position."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from syncbox.score.checks import warning
from syncbox.score.layout import Leg, LegKind, Route, usual_path
from syncbox.score.problem import Problem
from syncbox.score.song import Modulation, Place, Ramp, Section, TempoStep
from syncbox.score.written import Bar, PlacedItem, WrittenPass, span_ticks, write_out
from syncbox.units import TEMPO_QPM_MAX, TEMPO_QPM_MIN, TICKS_PER_SONG_POSITION

SONG_POSITION_MAX = 16_383  # MIDI 1.0 Detailed Specification 4.2.1, Table V: 14 bits


def qpm(value: Fraction) -> str:
    """A tempo for a message."""
    return f"{float(value):.4g}"


def check_tempo_range(route: Route) -> Iterator[Problem]:
    """Tempi that ramps and modulations reach outside what can be played; one for each cause."""
    blamed: set[Place] = set()
    for leg in route.legs:
        for segment in leg.tempo_map.segments:
            reached = (segment.tempo_qpm, segment.tempo_at(segment.ticks))
            outside = [t for t in reached if not TEMPO_QPM_MIN <= t <= TEMPO_QPM_MAX]
            place = _cause(leg, segment.start_tick, route)
            if outside and place not in blamed:
                blamed.add(place)
                yield Problem(
                    place,
                    f"the tempo comes to {qpm(outside[0])} quarters a minute here",
                    f"only {TEMPO_QPM_MIN} to {TEMPO_QPM_MAX} can be played",
                )


def _cause(leg: Leg, tick: int, route: Route) -> Place:
    """The tempo, ramp or modulation that is behind a place of a leg."""
    for earlier in reversed(route.legs[: leg.index + 1]):
        for placed in reversed(earlier.items):
            tempo_item = isinstance(placed.what, TempoStep | Ramp | Modulation)
            if tempo_item and (earlier is not leg or placed.tick <= tick):
                return placed.item.place
    return route.song.place


# --- ramps ---------------------------------------------------------------------------------------


def check_ramps(route: Route) -> Iterator[Problem]:
    """Ramps that run into each other, into another tempo, or across a repeat."""
    passes = write_out(route.song)
    bars = [replace(b, start_tick=b.start_tick + w.start_tick) for w in passes for b in w.bars]
    line = [
        (index, placed, written.start_tick + placed.tick)
        for index, written in enumerate(passes)
        for placed in written.items
        if isinstance(placed.what, TempoStep | Ramp | Modulation)
    ]
    cut: set[Place] = set()
    crossed: set[Place] = set()
    for position, (index, placed, start) in enumerate(line):
        written = passes[index]
        # The passes between the first and the last are like the first.
        if not isinstance(placed.what, Ramp) or written.pass_no not in {1, written.section.passes}:
            continue
        end = written.start_tick + written.ticks
        if not placed.what.over.to_end:
            end = start + _ramp_ticks(placed.what, bars, start)
        for problem in _cut_short(placed, end, line, position + 1):
            if problem.place not in cut:
                cut.add(problem.place)
                yield problem
        if placed.item.place not in crossed:
            for problem in _crossings(placed, end, index, passes):
                crossed.add(placed.item.place)
                yield problem


def _ramp_ticks(ramp: Ramp, bars: list[Bar], start: int) -> int:
    """Length of a ramp that begins at a tick of the written line."""
    first = bisect_right(bars, start, key=lambda bar: bar.start_tick) - 1
    return span_ticks(ramp.over, bars[first : first + ramp.over.bars + 1], start)


def _cut_short(
    placed: PlacedItem,
    end: int,
    line: Sequence[tuple[int, PlacedItem, int]],
    first: int,
) -> Iterator[Problem]:
    """The first tempo or ramp that begins while a ramp still moves."""
    if first == len(line) or line[first][2] >= end:
        return
    other, number = line[first][1], placed.item.place.line
    if isinstance(other.what, Ramp):
        yield Problem(
            other.item.place,
            f"this ramp begins while the one on line {number} still moves",
            "let the first end where the second begins",
        )
    else:
        yield warning(
            other.item.place,
            f"this tempo cuts the ramp on line {number} short",
            "let the ramp end here, or take one of them out",
        )


def _crossings(
    placed: PlacedItem, end: int, index: int, passes: list[WrittenPass]
) -> Iterator[Problem]:
    """Repeats, vamps and the song's end, if a ramp would have to run across them."""
    hint = "let it end with the section (over: to the end), or write the bars out"
    after = index + 1
    while after < len(passes) and passes[after].start_tick < end:
        left, entered = passes[after - 1], passes[after]
        if left.section_index == entered.section_index:
            what = f"this ramp runs across the repeat of '{left.section.name}'"
        elif left.section.vamp_usual:
            what = f"this ramp runs on after the vamp '{left.section.name}'"
        elif entered.section.vamp_usual or entered.section.passes > 1:
            what = f"this ramp runs into '{entered.section.name}', which is repeated"
        else:
            after += 1
            continue
        yield Problem(placed.item.place, what, hint)
        return
    last = passes[-1]
    if end > last.start_tick + last.ticks:
        yield warning(placed.item.place, "this ramp goes on beyond the end of the song", hint)


# --- repeats -------------------------------------------------------------------------------------


def check_repeats(route: Route) -> Iterator[Problem]:
    """Repeated sections that end at another tempo than they begin with."""
    by_section: dict[int, list[Leg]] = {}
    for leg in route.legs:
        if leg.kind is LegKind.SECTION and leg.pass_no == 1:
            by_section.setdefault(leg.section_index, []).append(leg)
    for index, legs in by_section.items():
        section: Section = route.song.sections[index]
        if section.passes == 1 and not section.vamp_usual:
            continue
        first = legs[0].tempo_map.tempo_at(0)
        last = legs[-1].tempo_map.tempo_at(legs[-1].ticks)
        if abs(float(first) - float(last)) > 0.01:
            yield warning(
                section.place,
                f"'{section.name}' begins at {qpm(first)} and ends at {qpm(last)} quarters "
                "a minute, so the tempo jumps at each repeat",
                "write the tempo that the repeat begins with, or write the bars out",
            )


# --- song position -------------------------------------------------------------------------------


def check_song_position(route: Route) -> Iterator[Problem]:
    """The first bar line between two song positions (sixteenths), and the last that has one."""
    for step in usual_path(route):
        if step.leg.section_index < 0:
            continue
        section = route.song.sections[step.leg.section_index]
        for bar in step.leg.bars:
            tick = step.start_tick + bar.start_tick
            position, rest = divmod(tick, TICKS_PER_SONG_POSITION)
            where = f"bar {bar.section_bar} of '{section.name}'"
            if rest:
                yield warning(
                    section.place,
                    f"song position cannot name {where}: it begins between two sixteenths",
                    "machines that follow cannot start there; use meters over 16 or larger, "
                    "or add the missing notes",
                )
                return
            if position > SONG_POSITION_MAX:
                yield warning(
                    section.place,
                    f"song position cannot name {where}: it counts no further than "
                    f"{SONG_POSITION_MAX} sixteenths",
                    "machines that follow cannot start there; cut the song in two",
                )
                return
