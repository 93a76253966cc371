"""The tempo map: exact time of every tick through steps and ramps.

A step's time is an exact fraction. A ramp's time is irrational, so its closed
form is computed in double precision (about 1e-13 s over five minutes) from the
ramp's own start and taken as a fraction once; sums of segments are exact, so
nothing drifts however many follow each other.

Closed forms: with tempo T in quarters a minute, from T0 to T1 over B quarters,
b quarters after the start, by integrating 60/T over the quarters passed
(elementary calculus; checked against numerical quadrature in tests/outside):

    by beat    T = T0 + (T1 - T0) b/B               t = 60 b/T0 * log1p(x)/x, x = (T - T0)/T0
    by time    T = sqrt(T0^2 + (T1^2 - T0^2) b/B)   t = 120 b / (T0 + T)
    by period  60/T = p0 + (p1 - p0) b/B            t = p0 b + (p1 - p0) b^2 / (2B)
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from math import log1p, sqrt

import numpy as np
from numpy.typing import NDArray

from syncbox.score.song import RampShape
from syncbox.units import TICKS_PER_QUARTER, seconds_per_tick


@dataclass(frozen=True, slots=True)
class RampCurve:
    """A whole ramp, of which a segment may be a part. `quarters` is the ramp's length."""

    from_qpm: Fraction
    to_qpm: Fraction
    quarters: Fraction
    shape: RampShape

    def tempo_qpm(self, quarter: Fraction) -> Fraction:
        """Tempo this many quarters after the ramp's start, exact unless a square root is needed."""
        share = quarter / self.quarters
        if self.shape is RampShape.BY_BEAT:
            return self.from_qpm + (self.to_qpm - self.from_qpm) * share
        if self.shape is RampShape.BY_PERIOD:
            return 1 / (1 / self.from_qpm + (1 / self.to_qpm - 1 / self.from_qpm) * share)
        squared = self.from_qpm**2 + (self.to_qpm**2 - self.from_qpm**2) * share
        return (
            Fraction(sqrt(squared)) if 0 < share < 1 else (self.to_qpm if share else self.from_qpm)
        )

    def seconds(self, quarter: Fraction) -> Fraction:
        """Seconds from the ramp's start to this many quarters after it."""
        start = self.from_qpm
        if self.shape is RampShape.BY_PERIOD:
            first, last = 60 / self.from_qpm, 60 / self.to_qpm
            return first * quarter + (last - first) * quarter**2 / (2 * self.quarters)
        tempo = self.tempo_qpm(quarter)
        if self.shape is RampShape.BY_TIME:
            return Fraction(120) * quarter / (start + tempo)
        change = float((tempo - start) / start)
        factor = log1p(change) / change if change else 1.0
        return Fraction(float(60 * quarter / start) * factor)

    def seconds_of(self, quarters: NDArray[np.float64]) -> NDArray[np.float64]:
        """`seconds` of many positions at once, shape (n,), in double precision."""
        start, share = float(self.from_qpm), quarters / float(self.quarters)
        end = float(self.to_qpm)
        if self.shape is RampShape.BY_PERIOD:
            first, last = 60 / start, 60 / end
            return first * quarters + (last - first) * quarters * share / 2
        if self.shape is RampShape.BY_TIME:
            tempo = np.sqrt(start**2 + (end**2 - start**2) * share)
            return 120 * quarters / (start + tempo)
        change = (end - start) / start * share
        safe = np.where(change == 0, 1.0, change)
        return 60 * quarters / start * np.where(change == 0, 1.0, np.log1p(safe) / safe)


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a tempo map: steady, or the part of a ramp from `curve_tick` on."""

    start_tick: int
    ticks: int
    tempo_qpm: Fraction  # at its start
    curve: RampCurve | None = None
    curve_tick: int = 0  # ticks of the ramp that lie before this segment

    def seconds_at(self, tick: int) -> Fraction:
        """Seconds from the segment's start to `tick`, which is counted from there too."""
        if self.curve is None:
            return tick * seconds_per_tick(self.tempo_qpm)
        before = self.curve.seconds(Fraction(self.curve_tick, TICKS_PER_QUARTER))
        return self.curve.seconds(Fraction(self.curve_tick + tick, TICKS_PER_QUARTER)) - before

    def seconds_of(self, ticks: NDArray[np.int64]) -> NDArray[np.float64]:
        """`seconds_at` of many ticks at once, shape (n,)."""
        if self.curve is None:
            return np.multiply(ticks, float(seconds_per_tick(self.tempo_qpm)), dtype=np.float64)
        before = float(self.curve.seconds(Fraction(self.curve_tick, TICKS_PER_QUARTER)))
        return self.curve.seconds_of((self.curve_tick + ticks) / TICKS_PER_QUARTER) - before

    def tempo_at(self, tick: int) -> Fraction:
        """Quarters a minute, `tick` ticks after the segment's start."""
        if self.curve is None:
            return self.tempo_qpm
        return self.curve.tempo_qpm(Fraction(self.curve_tick + tick, TICKS_PER_QUARTER))


class TempoMap:
    """Segments that follow each other without a gap from tick 0, and time in exact seconds.

    Immutable. Every query is anchored at its segment's start, never at its neighbour.
    """

    def __init__(self, segments: Iterable[Segment]) -> None:
        """Segments in order; the first starts at tick 0 and none is empty unless it is alone."""
        self.segments = tuple(segments)
        assert self.segments, "a tempo map needs a tempo"
        starts, offsets = [0], [Fraction(0)]
        for segment in self.segments:
            assert segment.start_tick == starts[-1], (segment.start_tick, starts[-1])
            starts.append(segment.start_tick + segment.ticks)
            offsets.append(offsets[-1] + segment.seconds_at(segment.ticks))
        self.ticks = starts.pop()
        self.duration_s = offsets.pop()
        self.start_ticks = tuple(starts)
        self.start_seconds = tuple(offsets)

    @classmethod
    def steady(cls, tempo_qpm: Fraction, ticks: int) -> TempoMap:
        """One tempo throughout."""
        return cls([Segment(0, ticks, tempo_qpm)])

    def _index(self, tick: int) -> int:
        return max(0, bisect.bisect_right(self.start_ticks, tick) - 1)

    def seconds_at(self, tick: int) -> Fraction:
        """Exact seconds from tick 0; before 0 and after the end the tempo there goes on."""
        if tick >= self.ticks:
            extra = tick - self.ticks
            return self.duration_s + extra * seconds_per_tick(self.tempo_at(self.ticks))
        if tick < 0:
            return tick * seconds_per_tick(self.tempo_at(0))
        index = self._index(tick)
        segment = self.segments[index]
        return self.start_seconds[index] + segment.seconds_at(tick - segment.start_tick)

    def tempo_at(self, tick: int) -> Fraction:
        """Quarters a minute at `tick`; at a step, the new tempo."""
        segment = self.segments[self._index(tick)]
        return segment.tempo_at(min(max(tick - segment.start_tick, 0), segment.ticks))

    @cached_property
    def _starts(self) -> NDArray[np.int64]:
        return np.array(self.start_ticks, dtype=np.int64)

    def seconds_of(self, ticks: NDArray[np.int64]) -> NDArray[np.float64]:
        """`seconds_at` of ascending ticks within the map, shape (n,), in double precision.

        For drawing and analysis; events are placed with exact arithmetic instead.
        """
        cuts = [*np.searchsorted(ticks, self._starts[1:]).tolist(), len(ticks)]
        out = np.empty(len(ticks), dtype=np.float64)
        first = 0
        for segment, offset, last in zip(self.segments, self.start_seconds, cuts, strict=True):
            part = out[first:last]
            if segment.curve is None:  # one multiply and one add, in place
                slope = float(seconds_per_tick(segment.tempo_qpm))
                np.multiply(ticks[first:last], slope, out=part)
                part += float(offset - segment.start_tick * seconds_per_tick(segment.tempo_qpm))
            else:
                part[:] = segment.seconds_of(ticks[first:last] - segment.start_tick)
                part += float(offset)
            first = last
        return out

    def tick_at(self, seconds: Fraction) -> int:
        """The last tick that is not later than a time within the map (bisection over ticks)."""
        low, high = 0, self.ticks
        while low < high:
            middle = (low + high + 1) // 2
            if self.seconds_at(middle) <= seconds:
                low = middle
            else:
                high = middle - 1
        return low

    def slowest_qpm(self) -> Fraction:
        """Lowest tempo that the map reaches."""
        return min(min(s.tempo_qpm, s.tempo_at(s.ticks)) for s in self.segments)

    def fastest_qpm(self) -> Fraction:
        """Highest tempo that the map reaches."""
        return max(max(s.tempo_qpm, s.tempo_at(s.ticks)) for s in self.segments)
