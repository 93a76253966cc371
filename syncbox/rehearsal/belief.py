"""How sure a reading is: whether this is the song at all, and each beat's chance to be right.

A beat is right when it lies within 25 ms of where it was played. The chances are a
logistic function whose weights were fitted on imagined takes with
`tools/bench_rehearsal.py --fit` and are checked on others by its ordinary run.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from syncbox.rehearsal.beats import Beats
from syncbox.rehearsal.chart import Chart
from syncbox.rehearsal.following import Course, Placed
from syncbox.rehearsal.onsets import STEP_S, Floats, Onsets
from syncbox.rehearsal.structure import line_evidence

RIGHT_MS = 25.0
FEATURES = ("one", "onset", "strength", "rival", "stray", "around", "contrast", "scatter")
MATCH_FEATURES = (
    "one", "contrast", "score", "leaps", "jumps", "tempo", "covered", "lines",
)  # fmt: skip
MATCH_FITTED = np.array([-9.0, 1.0, 1.0, -1.0, -1.0, -1.5, 3.0, 1.5])
FITTED = np.array([0.0, 1.0, 1.0, -0.5, -1.0, 0.5, 0.5, -0.5])


def match_of(chart: Chart, course: Course, beats: Beats, onsets: Onsets) -> float:
    """Chance, 0..1, that the take is this song: clear beats, the chart's form and tempo."""
    if len(beats.bar) < 8:
        return 0.0
    told = float(match_features(chart, course, beats, onsets) @ MATCH_FITTED)
    return float(1 / (1 + np.exp(-np.clip(told, -30, 30))))


def match_features(chart: Chart, course: Course, beats: Beats, onsets: Onsets) -> Floats:
    """What speaks for the song, shape (len(MATCH_FEATURES),)."""
    placed = course.placed
    ratios = np.log([p.ratio for p in placed])
    jumps = sum(
        b.index != a.index + 1 and not chart.bars[b.index].opening for a, b in pairwise(placed)
    )
    music = [i for i, bar in enumerate(chart.bars) if not bar.opening]
    covered = len({p.index for p in placed} & set(music)) / len(music)
    return np.array(
        [
            1.0,
            min(_contrast(beats.smooth_s, onsets), 3.0),
            min(course.score / len(beats.bar), 3.0),
            min(10 * float(np.mean(np.abs(np.diff(ratios)))), 0.5),
            min(10 * jumps / len(placed), 1.5),
            min(abs(float(np.median(ratios))) / 0.06, 3.0),
            covered,
            _lines(chart, placed, onsets),
        ]
    )


def _lines(chart: Chart, placed: Sequence[Placed], onsets: Onsets) -> float:
    """How much more the sound changes at section lines than at other bar lines; 0.8 if untold."""
    if onsets.exact:
        return 0.8
    changes = line_evidence(chart, placed, onsets)
    opens = np.array(
        [
            n > 0 and chart.bars[p.index].part != chart.bars[placed[n - 1].index].part
            for n, p in enumerate(placed)
        ]
    )
    if not opens.any() or opens.all():
        return 0.8
    return float(np.clip(changes[opens].mean() - changes[~opens].mean(), -1.0, 2.5))


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
