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
from syncbox.rehearsal.onsets import STEP_S, Floats, Onsets
from syncbox.rehearsal.structure import line_evidence
from syncbox.rehearsal.walk import Course, Placed

RIGHT_MS = 25.0
FEATURES = ("one", "onset", "strength", "rival", "stray", "around", "contrast", "scatter")
MATCH_FEATURES = (
    "one", "contrast", "score", "leaps", "jumps", "tempo", "covered", "lines",
)  # fmt: skip
MATCH_FITTED = np.array([-1.99, 0.61, 1.41, 0.12, -1.19, -4.16, 0.27, 0.17])
FITTED = np.array([-0.81, 1.1, 1.86, -1.81, 0.31, -0.41, 1.53, -0.49])
# How often beats were right, by what the function above says of them: it alone is too sure
# of the doubtful ones.
TOLD = (0.0, 0.55, 0.66, 0.83, 0.861, 0.90, 0.955, 0.9845, 0.9964, 1.0)
RIGHT = (0.0, 0.02, 0.08, 0.50, 0.67, 0.93, 0.978, 0.9953, 0.9996, 1.0)


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
    contrast = _contrast(beats.smooth_s, onsets)
    score = course.score / len(beats.bar)
    if onsets.exact:  # told times stand out all alike; what speaks is how well they share a grid
        contrast = score = 3.0 * _on_a_grid(beats.smooth_s, onsets.times_s)
    return np.array(
        [
            1.0,
            min(contrast, 3.0),
            min(score, 3.0),
            min(10 * float(np.mean(np.abs(np.diff(ratios)))), 0.5),
            min(10 * jumps / len(placed), 1.5),
            min(abs(float(np.median(ratios))) / 0.06, 3.0),
            covered,
            _lines(chart, placed, onsets),
        ]
    )


def _on_a_grid(beats_s: Floats, times_s: Floats) -> float:
    """How well times lie on one division of the beats, halves to quarters: 0 not at all, 1 fully.

    The length of the mean vector of phases (K. V. Mardia, P. E. Jupp, Directional
    Statistics, 2000, from memory).
    """
    inside = times_s[(times_s > beats_s[0] - 0.1) & (times_s < beats_s[-1] + 0.1)]
    if len(inside) < 8:
        return 0.0
    phase = np.interp(inside, beats_s, np.arange(len(beats_s)))
    return float(max(abs(np.exp(2j * np.pi * n * phase).mean()) for n in (1, 2, 3, 4)))


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
    return np.asarray(fading * np.interp(1 / (1 + np.exp(-told)), TOLD, RIGHT))
