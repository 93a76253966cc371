"""From ticks to frames, exactly, for a stretch of music whose start is not known yet.

A leg's events are compiled before anyone knows when it will be played. Each
event keeps its distance from the start of its tempo segment as an integer
numerator over the segment's denominator, in frames. When the leg's exact start
is known, one integer addition and one floor division round every event once:

    frame = floor(n/D + x + 1/2) = (n + floor(x D + D/2)) // D

with x the exact start of the segment; that holds because n is an integer. No
rounded value is ever added to, so round 500 of a vamp is as exact as round 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.score.tempo import TempoMap
from syncbox.units import seconds_per_tick

DENOMINATOR_MAX = 2**31
RAMP_DENOMINATOR = 2**20  # a millionth of a frame: far finer than anyone measures
ONE = Fraction(1)
LENGTH_FRAMES_MAX = 2**31  # 12.4 hours at 48 kHz; numerators then fit 63 bits

assert DENOMINATOR_MAX * LENGTH_FRAMES_MAX <= 2**62
assert RAMP_DENOMINATOR <= DENOMINATOR_MAX


@dataclass(frozen=True, slots=True)
class Offsets:
    """Where n events fall in a leg: numerators (n,), the segment of each (n,), per-segment data."""

    numerators: NDArray[np.int64]
    segments: NDArray[np.intp]
    denominators: NDArray[np.int64]
    segment_starts: tuple[Fraction, ...]  # exact frames from the leg's start

    def frames(self, start: Fraction, stretch: Fraction = ONE) -> NDArray[np.int64]:
        """The frame of every event, shape (n,), if the leg starts at an exact frame.

        `stretch` multiplies all times within the leg, for a tempo trim or a leader's
        tempo. It stays exact as long as the numbers fit 63 bits, and else is good to a
        millionth of a frame.
        """
        if stretch != ONE:
            return self._stretched(start, stretch)
        return _placed(
            self.numerators, self.segments, self.denominators, start, self.segment_starts
        )

    def _stretched(self, start: Fraction, stretch: Fraction) -> NDArray[np.int64]:
        starts = tuple(segment_start * stretch for segment_start in self.segment_starts)
        largest = int(self.numerators.max(initial=0)) * stretch.numerator
        parts = int(self.denominators.max()) * stretch.denominator
        if largest <= 2**61 and parts <= DENOMINATOR_MAX:
            numerators = self.numerators * stretch.numerator
            denominators = self.denominators * stretch.denominator
        else:
            frames = self.numerators / self.denominators[self.segments] * float(stretch)
            numerators = np.rint(frames * RAMP_DENOMINATOR).astype(np.int64)
            denominators = np.full_like(self.denominators, RAMP_DENOMINATOR)
        return _placed(numerators, self.segments, denominators, start, starts)

    def unrounded(self) -> NDArray[np.float64]:
        """Frames of every event from the leg's start, shape (n,), unrounded, at the written tempo.

        For what is measured, not placed.
        """
        starts = np.array([float(start) for start in self.segment_starts])
        within = self.numerators / self.denominators[self.segments]
        frames: NDArray[np.float64] = within + starts[self.segments]
        return frames

    def exact(self, index: int, stretch: Fraction = ONE) -> Fraction:
        """Exact frames of one event from the leg's start."""
        segment = int(self.segments[index])
        within = Fraction(int(self.numerators[index]), int(self.denominators[segment]))
        return (self.segment_starts[segment] + within) * stretch


def _placed(
    numerators: NDArray[np.int64],
    segments: NDArray[np.intp],
    denominators: NDArray[np.int64],
    start: Fraction,
    segment_starts: tuple[Fraction, ...],
) -> NDArray[np.int64]:
    base = start.numerator // start.denominator
    within = start - base
    carries = np.empty(len(denominators), dtype=np.int64)
    for index, segment_start in enumerate(segment_starts):
        exact = within + segment_start
        parts = int(denominators[index])
        whole = exact.numerator * parts * 2 + exact.denominator * parts
        carries[index] = whole // (2 * exact.denominator)
    placed: NDArray[np.int64]
    if len(carries) == 1:  # most legs have one tempo
        placed = (numerators + carries[0]) // denominators[0]
    else:
        parts_of_each = denominators[segments]
        placed = (numerators + carries[segments]) // parts_of_each
    return placed + base


@dataclass(frozen=True, slots=True)
class FrameGrid:
    """A leg's tempo map at a sample rate, ready to give offsets. `length` is in exact frames."""

    tempo_map: TempoMap
    rate: int
    per_tick: tuple[Fraction, ...]  # exact frames per tick; 0 for the segments of a ramp
    denominators: NDArray[np.int64]
    segment_starts: tuple[Fraction, ...]
    length: Fraction

    @classmethod
    def of(cls, tempo_map: TempoMap, rate: int) -> FrameGrid:
        """Raises ValueError for a leg of more than 12 hours."""
        per_tick, denominators = [], []
        for segment in tempo_map.segments:
            frames = Fraction(0)
            if segment.curve is None:
                frames = rate * seconds_per_tick(segment.tempo_qpm)
            exact = segment.curve is None and frames.denominator <= DENOMINATOR_MAX
            per_tick.append(frames)
            denominators.append(frames.denominator if exact else RAMP_DENOMINATOR)
        length = tempo_map.duration_s * rate
        if length >= LENGTH_FRAMES_MAX:
            raise ValueError("a section longer than twelve hours cannot be placed; split it")
        starts = tuple(seconds * rate for seconds in tempo_map.start_seconds)
        return cls(
            tempo_map,
            rate,
            tuple(per_tick),
            np.array(denominators, dtype=np.int64),
            starts,
            length,
        )

    def offsets(self, ticks: NDArray[np.int64]) -> Offsets:
        """Offsets of ticks in [0, map's ticks], shape (n,), in the order given."""
        starts = np.array(self.tempo_map.start_ticks, dtype=np.int64)
        segments = np.searchsorted(starts, ticks, side="right") - 1
        within = ticks - starts[segments]
        numerators = np.empty(len(ticks), dtype=np.int64)
        for index, (segment, per_tick) in enumerate(
            zip(self.tempo_map.segments, self.per_tick, strict=True)
        ):
            mine = segments == index
            parts = int(self.denominators[index])
            if segment.curve is None and per_tick.denominator == parts:
                numerators[mine] = within[mine] * per_tick.numerator
            else:
                frames = segment.seconds_of(within[mine]) * self.rate
                numerators[mine] = np.rint(frames * parts).astype(np.int64)
        return Offsets(numerators, segments, self.denominators, self.segment_starts)
