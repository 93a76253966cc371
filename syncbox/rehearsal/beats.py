"""When each beat was played: single onsets chosen for the beats of a course.

A second dynamic programme runs over beats. Its candidates are the onsets near the
place where the course expects the beat, and "no onset"; neighbours that stray alike
fit together. What has no onset lies where its neighbours put it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import Chart
from syncbox.rehearsal.onsets import Floats, Onsets
from syncbox.rehearsal.walk import Placed

_NEAR_S = 0.10  # an onset this far from its expected place can still be the beat
_SPREAD_S = 0.05  # of beats round the course
_STEP_SPREAD_S = 0.03  # of neighbours round each other
_NO_ONSET = 0.2  # onset weight that a beat must offer to be believed
_WEIGHT = 2.2
_CANDIDATES_MAX = 6
_SMOOTH_BEATS = 4.0  # half width of the window that follows the course
_SMOOTH_REACH = 9  # beats of the chart on each side that can lie in it
BIAS_S = -0.0012  # heard onsets are found this much early (measured on imagined takes)


@dataclass(frozen=True, slots=True)
class Beats:
    """The beats of a take, ascending; every array has shape (n,).

    bar: place in the course; beat: number in its bar; expected_s: where the course
    put it; played_s; smooth_s: the band's course without the scatter of single beats;
    weight: of the onset, 0 where there is none; rival: weight of the next best onset near.
    """

    bar: NDArray[np.int64]
    beat: NDArray[np.int64]
    map_s: Floats
    expected_s: Floats
    played_s: Floats
    smooth_s: Floats
    weight: Floats
    rival: Floats
    gap_s: Floats  # to the beat before, as expected


def place_beats(chart: Chart, placed: Sequence[Placed], onsets: Onsets) -> Beats:
    """Beat times of a course."""
    bar, beat, mapped, expected = _expected(chart, placed)
    gap = np.diff(expected, prepend=expected[:1] - 0.5) if len(expected) else expected
    gap = np.maximum(gap, 0.05)
    base = expected
    for turn in range(3):
        near = np.minimum(_NEAR_S, 0.4 * np.minimum(gap, np.append(gap[1:], gap[-1:])))
        chosen, weight, rival = _choose(base, near, onsets)
        smooth = _smoothed(base, mapped, chosen, weight)
        if turn < 2:
            base = smooth
    played = np.where(weight > 0, chosen, smooth)
    late = 0.0 if onsets.exact else BIAS_S
    return Beats(bar, beat, mapped, expected, played - late, smooth - late, weight, rival, gap)


def _expected(
    chart: Chart, placed: Sequence[Placed]
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, Floats]:
    bars, beats, mapped, times = [], [], [], []
    total = 0.0
    for n, p in enumerate(placed):
        bar = chart.bars[p.index]
        pace = (p.end_s - p.start_s) / bar.seconds
        for number, at in zip(bar.beat_numbers, bar.beats_s, strict=True):
            bars.append(n)
            beats.append(number)
            mapped.append(total + at)
            times.append(p.start_s + at * pace)
        total += bar.seconds + bar.hold_s
    return np.array(bars, int), np.array(beats, int), np.array(mapped), np.array(times)


def _choose(base: Floats, near: Floats, onsets: Onsets) -> tuple[Floats, Floats, Floats]:
    """Best onset of each beat, its weight (0: none), and the weight of the next best."""
    times, stray, worth, heavy = [], [], [], []
    for at, reach in zip(base, near, strict=True):
        low, high = np.searchsorted(onsets.times_s, (at - reach, at + reach))
        found, weights = onsets.times_s[low:high], onsets.weights[low:high]
        best = np.argsort(-weights)[:_CANDIDATES_MAX]
        times.append(np.append(found[best], at))
        heavy.append(np.append(weights[best], 0.0))
        stray.append(times[-1] - at)
        value = _WEIGHT * np.append(np.minimum(weights[best], 1.5), _NO_ONSET)
        worth.append(value - stray[-1] ** 2 / (2 * _SPREAD_S**2))
    chosen = _best_row(stray, worth)
    picked = np.array([t[c] for t, c in zip(times, chosen, strict=True)])
    weight = np.array([h[c] for h, c in zip(heavy, chosen, strict=True)])
    rival = np.array([np.delete(h, c).max(initial=0.0) for h, c in zip(heavy, chosen, strict=True)])
    return picked, weight, rival


def _best_row(stray: Sequence[Floats], worth: Sequence[Floats]) -> list[int]:
    """One candidate of each beat, such that neighbours stray alike."""
    if not stray:
        return []
    total, came = worth[0], []
    for before, now, value in zip(stray, stray[1:], worth[1:], strict=False):
        apart = (now[:, None] - before[None]) ** 2 / (2 * _STEP_SPREAD_S**2)
        ways = total[None] - np.minimum(apart, 4.0)
        came.append(ways.argmax(axis=1))
        total = ways.max(axis=1) + value
    row = [int(total.argmax())]
    for back in reversed(came):
        row.append(int(back[row[-1]]))
    return row[::-1]


def _smoothed(base: Floats, mapped: Floats, played: Floats, weight: Floats) -> Floats:
    """The course through the onsets: a straight line in the map's time round each beat."""
    if len(base) < 3:
        return base
    stray = np.where(weight > 0, played - base, 0.0)
    sure = np.where(weight > 0, np.minimum(weight, 1.0), 0.05)
    gap = float(np.median(np.diff(mapped)))
    near = np.arange(len(base))[:, None] + np.arange(-_SMOOTH_REACH, _SMOOTH_REACH + 1)
    inside = (near >= 0) & (near < len(base))
    near = np.clip(near, 0, len(base) - 1)
    far = (mapped[near] - mapped[:, None]) / (gap * (_SMOOTH_BEATS + 1))
    cut = np.abs(np.diff(base, prepend=base[0]) - np.diff(mapped, prepend=mapped[0])) > 0.5
    run = np.cumsum(cut)  # a hold or a jump ends the line
    same = inside & (run[near] == run[:, None])
    kernel = np.where(same, np.maximum(0, 1 - np.abs(far) ** 3) ** 3, 0) * sure[near]
    return np.asarray(base + _line_at_zero(far, stray[near], kernel))


def _line_at_zero(x: Floats, y: Floats, weights: Floats) -> Floats:
    """Height at 0 of the line through each row of points, (rows,)."""
    total = np.maximum(weights.sum(axis=1), 1e-12)
    mean_x, mean_y = (weights * x).sum(axis=1) / total, (weights * y).sum(axis=1) / total
    from_mean = x - mean_x[:, None]
    spread = (weights * from_mean**2).sum(axis=1)
    slope = (weights * from_mean * (y - mean_y[:, None])).sum(axis=1) / (spread + 0.02 * total)
    return np.asarray(mean_y - slope * mean_x)
