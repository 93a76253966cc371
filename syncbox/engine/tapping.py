"""Hits of sticks and taps of a finger as numbers: lines through them, what came of them. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from fractions import Fraction
from statistics import median


class Said(IntEnum):
    """What came of the last hit or tap. The numbers go through shared memory."""

    NOTHING = 0
    COUNTING = 1
    STARTED = 2
    RAGGED = 3
    TOO_SLOW = 4
    TOO_FAST = 5
    TAPPED = 6


@dataclass(slots=True)
class Counter:
    """Hits and taps so far, in frames."""

    hits: list[int] = field(default_factory=list)
    taps: list[int] = field(default_factory=list)
    song_index: int = -1  # the song whose tempo was counted


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through hits: exact frames."""

    downbeat: Fraction  # where it meets tick 0
    per_tick: Fraction
    spread: Fraction  # the largest distance of a hit from it


def line_through(ticks: list[int], frames: list[int]) -> Line:
    """Least squares, exactly. `ticks` are those of the hits before the downbeat, not all alike."""
    count = len(ticks)
    mean_tick, mean_frame = Fraction(sum(ticks), count), Fraction(sum(frames), count)
    square = sum((tick - mean_tick) ** 2 for tick in ticks)
    pairs = zip(ticks, frames, strict=True)
    product = sum((tick - mean_tick) * (frame - mean_frame) for tick, frame in pairs)
    per_tick = Fraction(product) / square
    downbeat = mean_frame - per_tick * mean_tick
    distances = [
        abs(frame - downbeat - per_tick * tick) for tick, frame in zip(ticks, frames, strict=True)
    ]
    return Line(downbeat, per_tick, max(distances))


def tap_interval(taps: list[int]) -> Fraction:
    """Frames from tap to tap: the median of all slopes, so that one stray tap does nothing."""
    slopes = [
        Fraction(taps[late] - taps[early], late - early)
        for early in range(len(taps))
        for late in range(early + 1, len(taps))
    ]
    return median(slopes)
