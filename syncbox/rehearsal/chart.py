"""The song as a line of bars to hold against a take: what is expected, in map seconds.

A chart lists the bars of the usual route, count-in and pickup first. A hold cuts
its bar in two; time stops for a free while after the first part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from syncbox.score.layout import Leg, LegKind, Step, lay_out, usual_path
from syncbox.score.meter import Meter
from syncbox.score.song import Song
from syncbox.score.written import Bar
from syncbox.units import TICKS_PER_QUARTER

Seconds = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ChartBar:
    """One bar, or the part of it before or after a hold. Times are map seconds in the part."""

    number: int  # as played on the usual route; the pickup is 0, the count-in goes back from there
    section: str
    section_index: int  # -1: count-in, pickup, or the clicks that lead back in after a hold
    pass_no: int
    round_no: int
    section_bar: int
    meter: Meter
    quarters: float
    seconds: float
    beats_s: tuple[float, ...]  # felt beats from the part's start
    beat_numbers: tuple[int, ...]  # in the bar, from 1
    units_s: tuple[float, ...]  # denominator units between the beats
    continued: bool = False  # the bar began before a hold
    hold_s: float = 0.0  # usual seconds for which time stops after this part; 0: it does not
    vamp: bool = False

    @property
    def opening(self) -> bool:
        """Whether a take may lack it: count-in, pickup, clicks after a hold."""
        return self.section_index < 0

    @property
    def tempo_qpm(self) -> float:
        """Quarters a minute over the whole part, by the map."""
        return 60 * self.quarters / self.seconds

    @property
    def part(self) -> tuple[int, int, int]:
        """Which pass or round of which section."""
        return self.section_index, self.pass_no, self.round_no


@dataclass(frozen=True, slots=True)
class Chart:
    """The bars of a song in playing order."""

    song: Song
    bars: tuple[ChartBar, ...]

    @property
    def first(self) -> int:
        """Index of the first bar that is music: pickup and count-in lie before it."""
        return next(i for i, bar in enumerate(self.bars) if not bar.opening)

    @property
    def seconds(self) -> float:
        """Length by the map from bar 1, holds as usual."""
        return sum(bar.seconds + bar.hold_s for bar in self.bars[self.first :])


def chart_of(song: Song) -> Chart:
    """The chart of a song that can be laid out."""
    bars: list[ChartBar] = []
    for step in usual_path(lay_out(song)):
        if step.leg.kind is LegKind.HOLD:
            bars[-1] = replace(bars[-1], hold_s=max(0.05, float(step.leg.hold_seconds)))
        else:
            bars += [_chart_bar(step, bar) for bar in step.leg.bars if _length(step.leg, bar) > 0]
    return Chart(song, tuple(bars))


def at_pace(chart: Chart, pace: float) -> Chart:
    """The chart played faster (above 1) or slower all through; holds stay as they are."""
    bars = tuple(
        replace(
            bar,
            seconds=bar.seconds / pace,
            beats_s=tuple(at / pace for at in bar.beats_s),
            units_s=tuple(at / pace for at in bar.units_s),
        )
        for bar in chart.bars
    )
    return replace(chart, bars=bars)


def _length(leg: Leg, bar: Bar) -> int:
    return min(leg.ticks, bar.start_tick + bar.meter.bar_ticks) - bar.first_tick


def _chart_bar(step: Step, bar: Bar) -> ChartBar:
    leg, first = step.leg, bar.first_tick
    ticks = _length(leg, bar)
    starts = bar.meter.beat_starts()
    placed = [
        (number, bar.start_tick + start)
        for number, start in enumerate(starts, 1)
        if first <= bar.start_tick + start < first + ticks
    ]
    unit = bar.meter.unit_ticks
    units = [bar.start_tick + n * unit for n in range(bar.meter.numerator)]
    on_beat = {tick for _, tick in placed}
    between = [tick for tick in units if first <= tick < first + ticks and tick not in on_beat]
    if not between:  # beats are units: what is played between them is half a unit on
        between = [tick + unit // 2 for tick in on_beat if tick + unit // 2 < first + ticks]
    opening = leg.kind in (LegKind.COUNT_IN, LegKind.PICKUP)
    return ChartBar(
        number=bar.number + (step.round - 1) * len(leg.bars),
        section=leg.section,
        section_index=-1 if opening else leg.section_index,
        pass_no=leg.pass_no,
        round_no=step.round,
        section_bar=bar.section_bar,
        meter=bar.meter,
        quarters=ticks / TICKS_PER_QUARTER,
        seconds=float(leg.tempo_map.seconds_at(first + ticks) - leg.tempo_map.seconds_at(first)),
        beats_s=_within(leg, first, [tick for _, tick in placed]),
        beat_numbers=tuple(number for number, _ in placed),
        units_s=_within(leg, first, sorted(between)),
        continued=bar.continued,
        vamp=leg.usual_rounds > 1 or leg.until.value == "cue",
    )


def _within(leg: Leg, first: int, ticks: Sequence[int]) -> tuple[float, ...]:
    start = leg.tempo_map.seconds_at(first)
    return tuple(float(leg.tempo_map.seconds_at(tick) - start) for tick in ticks)
