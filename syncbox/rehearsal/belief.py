"""How sure a reading is: whether this is the song at all, and each beat's chance to be right.

A beat is right when it lies within 25 ms of where it was played. The chances are a
logistic function whose weights were fitted on imagined takes with
`tools/bench_rehearsal.py --fit` and are checked on others by its ordinary run.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from syncbox.rehearsal.beats import Beats
from syncbox.rehearsal.chart import Chart
from syncbox.rehearsal.following import Placed
from syncbox.rehearsal.onsets import STEP_S, Floats, Onsets

RIGHT_MS = 25.0
FEATURES = ("one", "onset", "strength", "rival", "stray", "around", "contrast", "scatter")
FITTED = np.array([0.0, 1.0, 1.0, -0.5, -1.0, 0.5, 0.5, -0.5])


def match_of(chart: Chart, placed: Sequence[Placed], beats: Beats, onsets: Onsets) -> float:
    """0..1: how much better the take sounds on the song's beats than between and beside them."""
    if len(beats.bar) < 8:
        return 0.0
    contrast = _contrast(beats.smooth_s, onsets)
    heard = float(np.mean(beats.weight > 0))
    steady = _steadiness(chart, placed)
    covered = _covered(chart, placed)
    raw = 1.6 * (contrast - 0.25) * heard * steady * min(1.0, covered / 0.25)
    return float(np.clip(raw, 0.0, 1.0))


def _contrast(at: Floats, onsets: Onsets) -> float:
    """Strength on the beats against a third of a beat beside them, 0 as any two, 1 very clear."""
    curve = onsets.strength.mean(axis=0)
    gap = np.diff(at, append=at[-1] + 0.5)
    on = _peak(curve, at)
    beside = np.array([_peak(curve, at + share * gap).mean() for share in (0.31, 0.42, 0.58, 0.69)])
    return float((on.mean() - beside.mean()) / (on.std() + 0.3))


def _peak(curve: Floats, at: Floats) -> Floats:
    steps = np.clip(np.round(at / STEP_S).astype(int), 2, len(curve) - 3)
    return np.asarray(np.max([curve[steps + d] for d in (-2, -1, 0, 1, 2)], axis=0))


def _steadiness(chart: Chart, placed: Sequence[Placed]) -> float:
    """1 for bars in the chart's order at a steady tempo, less for jumps and leaps of tempo."""
    jumps = sum(
        b.index != a.index + 1 and not chart.bars[b.index].opening
        for a, b in zip(placed, placed[1:], strict=False)
    )
    leaps = np.abs(np.diff(np.log([p.ratio for p in placed])))
    return float(np.exp(-2.0 * jumps / len(placed) - 8.0 * np.mean(leaps)))


def _covered(chart: Chart, placed: Sequence[Placed]) -> float:
    """Share of the song that was found."""
    music = [i for i, bar in enumerate(chart.bars) if not bar.opening]
    return len({p.index for p in placed} & set(music)) / len(music)


def beat_features(beats: Beats, onsets: Onsets) -> Floats:
    """What speaks for each beat, shape (n, len(FEATURES))."""
    heard = (beats.weight > 0).astype(float)
    stray = np.abs(beats.played_s - beats.smooth_s) / 0.03
    around = np.convolve(heard, np.ones(9) / 9, mode="same")
    curve = onsets.strength.mean(axis=0)
    contrast = np.clip(_peak(curve, beats.played_s), -1, 3)
    scatter = np.sqrt(np.convolve(np.minimum(stray, 3) ** 2, np.ones(9) / 9, mode="same"))
    columns = [
        np.ones(len(heard)),
        heard,
        np.minimum(beats.weight, 1.2),
        np.minimum(beats.rival, 1.2),
        np.minimum(stray, 3.0),
        around,
        contrast,
        scatter,
    ]
    return np.stack(columns, axis=1)


def beat_confidence(beats: Beats, match: float, onsets: Onsets) -> Floats:
    """Chance that each beat is right, 0..1, shape (n,)."""
    told = beat_features(beats, onsets) @ FITTED
    fading = float(np.clip((match - 0.3) / 0.3, 0.0, 1.0))  # a doubtful match makes all doubtful
    return np.asarray(fading / (1 + np.exp(-told)))
