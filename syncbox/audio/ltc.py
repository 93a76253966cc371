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
def _levels(code_frame: int, rate: CodeRate) -> NDArray[np.float32]:
    """Level of each half bit, -1 or 1, between the last of the word before and the next's first."""
    bits = word(code_frame, rate)
    flips = np.ones(HALVES + 2, dtype=np.int64)
    flips[0] = 0
    flips[2:-1:2] = [bits >> number & 1 for number in range(WORD_BITS)]
    levels = np.where(np.cumsum(flips) % 2, 1.0, -1.0).astype(np.float32)
    levels.flags.writeable = False
    return levels


def word_length(rate: CodeRate, sample_rate: int) -> Fraction:
    """Exact frames of one code frame."""
    return sample_rate / rate.per_second


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
    length = word_length(rate, sample_rate)
    end = first + len(out)
    width_us = max(RISE_US * _WIDTH_OVER_RISE, 2e6 / sample_rate)  # two frames at the least
    half_us = 1e6 / (HALVES * float(rate.per_second))
    reach = min(width_us / 2 / half_us, 0.5)
    code_frame = max(before, (first - anchor) // length)
    while True:
        starts = anchor + code_frame * length
        begin = max(first, -(-starts.numerator // starts.denominator))
        if begin >= end:
            return
        after = starts + length
        stop = min(end, -(-after.numerator // after.denominator))
        if stop > begin:
            within = (begin * _PARTS) - (starts.numerator * _PARTS) // starts.denominator
            part = out[begin - first : stop - first]
            _write_word(part, within, _levels(code_frame, rate), float(length) / HALVES, reach)
        code_frame += 1


def _write_word(
    out: NDArray[np.float32], within: int, levels: NDArray[np.float32], half: float, reach: float
) -> None:
    """The part of a word that begins `within` parts of a frame after its start.

    `half` is the length of half a bit in frames; an edge reaches `reach` half bits to each side.
    """
    place = (np.arange(len(out), dtype=np.int64) * _PARTS + within) / (half * _PARTS)
    cell = np.minimum(place.astype(np.int64), HALVES - 1)
    past = place - cell
    now = levels[cell + 1]
    # 1/2 on the edge itself, 0 at its reach: what is still, or already, of the level beside.
    old = 0.5 - 0.5 * np.sin(np.minimum(past / reach, 1.0) * (np.pi / 2))
    new = 0.5 - 0.5 * np.sin(np.minimum(np.maximum(1.0 - past, 0.0) / reach, 1.0) * (np.pi / 2))
    out[:] = PEAK * (now + (levels[cell] - now) * old + (levels[cell + 2] - now) * new)
