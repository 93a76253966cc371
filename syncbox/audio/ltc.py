"""Linear time code: a code as sound, for machines that have followed it on tape since long ago.

A word of 80 bits tells one code frame. Biphase mark: the level changes at every edge
of a bit, and once more in the middle of a 1. One bit keeps the number of ones even, so
that every word begins with the same edge. Source: SMPTE ST 12-1.

Every sample is a function of its own frame number alone. A word begins at its exact
place, rounded once to a millionth of a frame, so a code frame of 1601.6 frames never
drifts, and the size of the blocks does not matter.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from syncbox.score.timecode import CodeRate, label_of

WORD_BITS = 80
HALVES = 2 * WORD_BITS
PEAK = 0.5  # 6 dB below full scale, where a mix gives it 0 dB
# From 10 to 90 %. SMPTE ST 12-1 asks for 40 us +/- 10 us (from memory).
RISE_US = 40
_WIDTH_OVER_RISE = 1.6939  # a half cosine's whole width over its 10 to 90 %: pi / (2 asin 0.8)
_PARTS = 2**20  # of a frame

_SYNC = 0b1011_1111_1111_1100  # 0011 1111 1111 1101, first bit lowest
_DROP_BIT = 10
_POLARITY_BIT = {CodeRate.FPS_25: 59}  # else 27


def word(code_frame: int, rate: CodeRate) -> int:
    """The 80 bits of a code frame, bit 0 lowest; user bits and flags of other use are 0."""
    hours, minutes, seconds, frames = label_of(code_frame, rate)
    bits = _SYNC << 64
    for first, value in ((0, frames), (16, seconds), (32, minutes), (48, hours)):
        bits |= value % 10 << first | value // 10 << first + 8
    if rate.drops:
        bits |= 1 << _DROP_BIT
    if bits.bit_count() % 2:
        bits |= 1 << _POLARITY_BIT.get(rate, 27)
    return bits


@lru_cache(maxsize=8)
def _edges(code_frame: int, rate: CodeRate) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Middle and half the step of the level at each half bit's edge of a word, (HALVES + 1,).

    The first edge leads in from the word before, the last one out to the word after.
    """
    bits = word(code_frame, rate)
    flips = np.ones(HALVES + 2, dtype=np.int64)
    flips[0] = 0
    flips[2:-1:2] = [bits >> number & 1 for number in range(WORD_BITS)]
    levels = PEAK * np.where(np.cumsum(flips) % 2, 1.0, -1.0)
    middle = ((levels[:-1] + levels[1:]) / 2).astype(np.float32)
    step = ((levels[1:] - levels[:-1]) / 2).astype(np.float32)
    return middle, step


def word_length(rate: CodeRate, sample_rate: int) -> Fraction:
    """Exact frames of one code frame."""
    return sample_rate / rate.per_second


@lru_cache(maxsize=8)
def _shape(rate: CodeRate, sample_rate: int) -> tuple[int, int, float, float]:
    """A word's length as a fraction, half a bit in parts of a frame, and the reach of an edge.

    An edge reaches so many half bits to each side.
    """
    length = word_length(rate, sample_rate)
    width_us = max(RISE_US * _WIDTH_OVER_RISE, 2e6 / sample_rate)  # two frames at the least
    half_us = 1e6 / (HALVES * float(rate.per_second))
    half_parts = float(length * _PARTS / HALVES)
    return length.numerator, length.denominator, half_parts, min(width_us / 2 / half_us, 0.5)


def write_code(
    out: NDArray[np.float32],
    first: int,
    *,
    anchor: Fraction,
    rate: CodeRate,
    sample_rate: int,
    before: int = -(2**62),
) -> None:
    """Write the code into `out`, shape (n,), whose first sample is frame `first`.

    `anchor` is the exact frame at which code frame 0 begins or would have begun. Code
    frames below `before` are left out: `out` keeps what it holds there.
    """
    whole, parts, half, reach = _shape(rate, sample_rate)
    zero = anchor.numerator * _PARTS // anchor.denominator
    end = first + len(out)
    code_frame = max(before, (first * _PARTS - zero) * parts // (whole * _PARTS))
    begins = zero + code_frame * whole * _PARTS // parts
    while (start := max(first, -(-begins // _PARTS))) < end:
        after = zero + (code_frame + 1) * whole * _PARTS // parts
        stop = min(end, -(-after // _PARTS))
        if stop > start:
            middle, step = _edges(code_frame, rate)
            place = np.arange(stop - start, dtype=np.float64)
            place *= _PARTS  # whole numbers, so far: the same in blocks of any size
            place += start * _PARTS - begins
            place /= half
            edge = np.rint(place)
            place -= edge
            nearest = edge.astype(np.intp)
            place *= np.pi / 2 / reach
            np.clip(place, -np.pi / 2, np.pi / 2, out=place)
            np.sin(place, out=place)
            place *= step[nearest]
            place += middle[nearest]
            out[start - first : stop - first] = place
        code_frame, begins = code_frame + 1, after
