"""Where notes and hits begin in a sound, to a fraction of a millisecond.

First the moments at which many frequency bands grow louder at once (the positive
change of the logarithm of the magnitude, summed over bands), then the exact place on
the samples: where the envelope has risen a tenth of the way from what was there
before to the hit's first peak. Both are common practice in the analysis of rhythm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Sound = NDArray[np.float32]  # shape (channels, frames)
Values = NDArray[np.float64]

WINDOW_MS, HOP_MS = 10.0, 2.5
BANDS = 20
LOUDNESS_FACTOR = 1000.0  # the logarithm tells levels apart down to this far below the loudest
APART_MS = 35.0  # hits closer than this are one
PART_OF_STRONGEST = 0.15  # weaker rises than this part of the strongest are not hits
RISE_MIN = 4.0  # summed over the bands, natural logarithm: less is a swell or a beating chord
SEARCH_BACK_MS, SEARCH_ON_MS = 14.0, 12.0
RISE_PART = 0.1
STEEP_PART = 0.6  # of the steepest rise around
_BLOCK = 4096  # windows that are transformed at once


@dataclass(frozen=True, slots=True)
class Onsets:
    """Beginnings of hits: frames ascending, shape (n,), and how strong each is, 0 to 1."""

    frames: NDArray[np.int64]
    strengths: Values

    def __len__(self) -> int:
        return len(self.frames)

    def only(self, keep: NDArray[np.bool_]) -> Onsets:
        """Those that are kept."""
        return Onsets(self.frames[keep], self.strengths[keep])


NO_ONSETS = Onsets(np.empty(0, np.int64), np.empty(0))


def find_onsets(sound: Sound, rate: int) -> Onsets:
    """Hits of a sound (channels, frames); what lies before its first frame counts as silence."""
    hop, size = max(1, round(HOP_MS * rate / 1000)), round(WINDOW_MS * rate / 1000)
    if not sound.shape[1]:
        return NO_ONSETS
    padded = np.pad(sound, ((0, 0), (size, size)))
    rises = _rises(padded, size, hop)
    peaks = _peaks(rises, max(1, round(APART_MS / HOP_MS)))
    if not len(peaks):
        return NO_ONSETS
    envelope = np.sqrt(np.mean(np.square(padded, dtype=np.float64), axis=0))
    # A rise shows in the first window that holds it: its end.
    guesses = peaks * hop + size - hop
    places = np.array([_place(envelope, int(guess), rate) for guess in guesses]) - size
    strengths = rises[peaks] / rises[peaks].max()
    order = np.argsort(places, kind="stable")
    places, strengths = places[order], strengths[order]
    apart = np.diff(places, prepend=-(10**9)) > APART_MS / 2 * rate / 1000
    inside = (places >= 0) & (places < sound.shape[1])
    keep = apart & inside
    return Onsets(places[keep].astype(np.int64), strengths[keep])


def find_loop_onsets(loop: Sound, rate: int) -> Onsets:
    """Hits of a sound that goes round: what lies before its first frame is its own end."""
    length = loop.shape[1]
    lead = min(length, round(0.25 * rate))
    around = np.concatenate([loop[:, length - lead :], loop, loop[:, :lead]], axis=1)
    found = find_onsets(around, rate)
    slack = round(0.002 * rate)  # a hit on the seam may be placed a little before it
    frames = found.frames - lead
    inside = (frames >= -slack) & (frames < length - slack)
    return Onsets(np.maximum(frames[inside], 0), found.strengths[inside])


def rise_curve(sound: Sound, rate: int) -> Onsets:
    """How much more than usual a sound grows louder, every few ms: each place with its weight.

    Finer than hits where a sound is too dense for single ones. Weights are 0 to 1.
    """
    hop, size = max(1, round(HOP_MS * rate / 1000)), round(WINDOW_MS * rate / 1000)
    rises = _rises(np.pad(sound, ((0, 0), (size, size))), size, hop)
    around = min(len(rises), round(400 / HOP_MS) | 1)
    usual = np.convolve(rises, np.ones(around) / around, mode="same")
    excess = np.maximum(rises - usual, 0.0)
    places = np.flatnonzero(excess > 0)
    weights = excess[places] / excess.max(initial=1e-12)
    return Onsets(places * hop - hop, weights)


def _rises(padded: Sound, size: int, hop: int) -> Values:
    """How much louder all bands grow from one window to the next, shape (windows,)."""
    loudest = float(np.abs(padded).max(initial=0.0))
    window = np.hanning(size).astype(np.float32) / np.float32(max(loudest, 1e-9))
    edges = np.unique(np.round(np.geomspace(1, size // 2 + 1, BANDS + 1)).astype(np.int64))
    views = np.lib.stride_tricks.sliding_window_view(padded, size, axis=1)[:, ::hop]
    last = np.zeros(len(edges) - 1)
    parts = []
    for first in range(0, views.shape[1], _BLOCK):
        block = views[:, first : first + _BLOCK] * window
        power = np.square(np.abs(np.fft.rfft(block, axis=2))).mean(axis=0)
        bands = np.sqrt(np.add.reduceat(power, edges[:-1], axis=1)) / size
        levels = np.log1p(LOUDNESS_FACTOR * bands)
        change = np.diff(levels, axis=0, prepend=last[np.newaxis])
        last = levels[-1]
        parts.append(np.maximum(change, 0.0).sum(axis=1))
    return np.concatenate(parts)


def _peaks(rises: Values, reach: int) -> NDArray[np.int64]:
    """Indexes of rises that are the highest around and stand out of what is usual there."""
    if not len(rises) or rises.max() <= 1e-6:
        return np.empty(0, np.int64)
    half = np.pad(rises, reach // 2, mode="constant")
    highest = np.lib.stride_tricks.sliding_window_view(half, 2 * (reach // 2) + 1).max(axis=1)
    wide = np.pad(rises, 4 * reach, mode="reflect") if len(rises) > 4 * reach else None
    usual = (
        np.lib.stride_tricks.sliding_window_view(wide, 8 * reach + 1)[:, ::4].mean(axis=1)
        if wide is not None
        else np.full(len(rises), rises.mean())
    )
    threshold = np.maximum(PART_OF_STRONGEST * rises.max() + usual, RISE_MIN)
    found = np.flatnonzero((rises >= highest) & (rises > threshold))
    return found[np.diff(found, prepend=-reach) > reach // 2]


def _place(envelope: Values, guess: int, rate: int) -> int:
    """The frame near a guess where the envelope leaves what was there before."""
    back, on = round(SEARCH_BACK_MS * rate / 1000), round(SEARCH_ON_MS * rate / 1000)
    first = max(0, guess - back)
    window = envelope[first : guess + on]
    smooth = max(1, round(0.0003 * rate))
    # The highest value of the last fraction of a millisecond: zero crossings do not count.
    padded = np.concatenate([np.zeros(smooth - 1), window])
    level = np.lib.stride_tricks.sliding_window_view(padded, smooth).max(axis=1)
    step = max(1, round(0.002 * rate))
    if len(level) <= 2 * step:
        return guess
    growth = level[step:] - level[:-step]
    # A low drum grows again with each of its waves: the first steep rise counts, at its top.
    first_steep = int(np.flatnonzero(growth >= STEEP_PART * growth.max())[0])
    steepest = first_steep + int(growth[first_steep : first_steep + 2 * step].argmax()) + step
    begin = max(0, steepest - 2 * step)
    before = float(np.median(level[max(0, begin - 2 * step) : begin + 1]))
    peak = float(level[steepest : steepest + 2 * step].max())
    goal = before + RISE_PART * (peak - before)
    above = np.flatnonzero(level[begin : steepest + 2 * step] >= goal)
    return first + begin + (int(above[0]) if len(above) else 0)
