"""How sure a reading is: whether this is the song at all, and each beat's chance to be right.

A beat is right when it lies within 25 ms of where it was played. What speaks for a song
adds up, each by a curve of its own: one bar left out says little against it, ten say much.
Curves and weights (`fitted`) are made by `tools/bench_rehearsal.py --fit` from imagined
takes and published records, and are checked on others by its ordinary run and by
`tools/bench_records.py`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from syncbox.rehearsal.beats import Beats
from syncbox.rehearsal.chart import Chart
from syncbox.rehearsal.fitted import (
    BEAT_BASE,
    BEAT_CURVES,
    MATCH_BASE,
    MATCH_CURVES,
    RIGHT,
    TOLD,
)
from syncbox.rehearsal.form import UNTOLD_AGREE
from syncbox.rehearsal.onsets import STEP_S, Floats, Onsets
from syncbox.rehearsal.phases import clear_of_half_beats
from syncbox.rehearsal.structure import Reading, line_evidence
from syncbox.rehearsal.walk import Placed

Curve = tuple[Sequence[float], Sequence[float]]  # values of a feature, what each adds in nats

RIGHT_MS = 25.0
NO_BEATS_MAX = 0.1  # match where no more begins on the beats than in mere noise
UNCOMPARED_MAX = 0.8  # match where no two passes of a section are there to be compared
_BEATS_MIN = 1.1  # contrast and score; white noise reaches 0.9, 99 of 100 right takes 1.2
_OUTSIDE_S = 6.0
_SAME_TEMPO = 0.015  # of a logarithm: nearer to the map's tempo says no more
_ROUND_BEATS = 33
_USUAL_LINES = 1.8  # what right takes show
# Taps and pads say nothing of how bars sound; set by hand, clear of each other by far: times
# that share a grid (contrast and score 3) match, times that do not (0) never do.
_EXACT_BASE = -2.0
_EXACT_WEIGHTS = {
    "contrast": 0.6, "score": 1.4, "jumps": -1.2, "tempo": -2.0, "covered": 0.3, "lines": 0.1,
}  # fmt: skip
BEAT_FEATURES = (
    "onset", "strength", "rival", "stray", "around", "contrast", "scatter", "off beat",
    "chords",
)  # fmt: skip
MATCH_FEATURES = (
    "contrast", "score", "leaps", "jumps", "tempo", "covered", "lines", "places", "sections",
    "form", "outside", "agree", "chance", "worst",
)  # fmt: skip


def match_of(
    chart: Chart, reading: Reading, beats: Beats, onsets: Onsets, pace: float = 1.0
) -> float:
    """Chance, 0..1, that the take is this song: clear beats, the chart's form and tempo.

    pace: how much faster than the map the chart is.
    """
    if len(beats.bar) < 8:
        return 0.0
    found = match_features(chart, reading, beats, onsets, pace)
    named = dict(zip(MATCH_FEATURES, found.tolist(), strict=True))
    if onsets.exact:
        told = _EXACT_BASE + sum(weight * named[name] for name, weight in _EXACT_WEIGHTS.items())
        return float(_chance(told))
    chance = float(_chance(_added(MATCH_BASE, MATCH_CURVES, MATCH_FEATURES, found)))
    if named["contrast"] + named["score"] < _BEATS_MIN:
        chance = min(chance, NO_BEATS_MAX)
    # A song of which no section comes twice is told from none of its tempo.
    return min(chance, UNCOMPARED_MAX) if reading.form.worst == UNTOLD_AGREE else chance


def _added(
    base: float, curves: Mapping[str, Curve], names: Sequence[str], features: Floats
) -> Floats:
    """What features (..., names) add up to, each by its curve, in nats: (...)."""
    return base + sum(
        (np.interp(features[..., n], *curves[name]) for n, name in enumerate(names)),
        start=np.zeros(features.shape[:-1]),
    )


def _chance(nats: ArrayLike) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(nats, -30, 30))))


def match_features(
    chart: Chart, reading: Reading, beats: Beats, onsets: Onsets, pace: float = 1.0
) -> Floats:
    """What speaks for the song, shape (len(MATCH_FEATURES),)."""
    placed, score = reading.course.placed, reading.course.score / len(beats.bar)
    ratios = np.log([p.ratio for p in placed])
    jumps = sum(
        b.index != a.index + 1 and not chart.bars[b.index].opening for a, b in pairwise(placed)
    )
    music = [i for i, bar in enumerate(chart.bars) if not bar.opening]
    lines = _lines(chart, placed, onsets)
    covered = len({p.index for p in placed} & set(music)) / len(music)
    contrast = _contrast(beats.smooth_s, onsets)
    if onsets.exact:  # told times stand out all alike; what speaks is how well they share a grid
        contrast = score = 3.0 * _on_a_grid(beats.smooth_s, onsets.times_s)
    return np.array(
        [
            min(contrast, 3.0),
            min(score, 3.0),
            min(10 * float(np.mean(np.abs(np.diff(ratios)))), 0.5),
            min(10 * jumps / len(placed), 1.5),
            min(max(_SAME_TEMPO, abs(float(np.median(ratios)) + float(np.log(pace)))) / 0.06, 3.0),
            covered,
            lines,
            reading.form.places,
            reading.form.sections,
            reading.form.in_step,
            _outside(placed, onsets),
            reading.form.agree,
            reading.form.chance,
            reading.form.worst,
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


def _outside(placed: Sequence[Placed], onsets: Onsets) -> float:
    """How densely something is played just outside the bars: 0 not at all, 1 as inside; 0..1."""
    begin, end = placed[0].start_s, placed[-1].end_s
    strong = onsets.times_s[onsets.weights > 0.3]
    inside = ((strong > begin) & (strong < end)).sum() / max(end - begin, 1.0)
    before = ((strong > begin - 0.15 - _OUTSIDE_S) & (strong < begin - 0.15)).sum()
    after = ((strong > end + 0.8) & (strong < end + 0.8 + _OUTSIDE_S)).sum()
    return float(min(1.0, (before + after) / _OUTSIDE_S / max(inside, 0.1)))


def _lines(chart: Chart, placed: Sequence[Placed], onsets: Onsets) -> float:
    """How much more the sound changes at section lines than elsewhere; as usual if untold."""
    if onsets.exact:
        return _USUAL_LINES
    changes = line_evidence(chart, placed, onsets)
    opens = np.array(
        [
            n > 0 and chart.bars[p.index].part != chart.bars[placed[n - 1].index].part
            for n, p in enumerate(placed)
        ]
    )
    if not opens.any() or opens.all():
        return _USUAL_LINES
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
    """What speaks for each beat, shape (n, len(BEAT_FEATURES))."""
    heard = (beats.weight > 0).astype(float)
    stray = np.abs(beats.played_s - beats.smooth_s) / 0.03
    around = np.convolve(heard, np.ones(9) / 9, mode="same")
    curve = onsets.strength.mean(axis=0)
    contrast = np.clip(_peak(curve, beats.played_s), -1, 3)
    scatter = np.sqrt(np.convolve(np.minimum(stray, 3) ** 2, np.ones(9) / 9, mode="same"))
    columns = [
        heard,
        np.minimum(beats.weight, 1.2),
        np.minimum(beats.rival, 1.2),
        np.minimum(stray, 3.0),
        around,
        contrast,
        scatter,
        _over_off_beats(beats.smooth_s, curve),
        np.full(len(heard), clear_of_half_beats(beats.smooth_s, onsets)),
    ]
    return np.stack(columns, axis=1)


def _over_off_beats(at: Floats, curve: Floats) -> Floats:
    """How much more begins on the beats than a quarter, half or three quarters after them.

    Over some bars round each beat, -1..1: where as much begins between the beats, a reading
    may lie between them all along.
    """
    gap = np.diff(at, append=at[-1] + 0.5)
    strong = np.array([_peak(curve, at + share * gap) for share in (0.0, 0.25, 0.5, 0.75)])
    width = min(_ROUND_BEATS, len(at))
    count = np.convolve(np.ones(len(at)), np.ones(width), mode="same")
    means = np.array([np.convolve(each, np.ones(width), mode="same") / count for each in strong])
    return np.asarray(np.clip(means[0] - means[1:].max(axis=0), -1.0, 1.0))


def beat_confidence(beats: Beats, match: float, onsets: Onsets) -> Floats:
    """Chance that each beat is right, 0..1, shape (n,)."""
    told = _added(BEAT_BASE, BEAT_CURVES, BEAT_FEATURES, beat_features(beats, onsets))
    fading = float(np.clip((match - 0.3) / 0.3, 0.0, 1.0))  # a doubtful match makes all doubtful
    return np.asarray(fading * np.interp(_chance(told), TOLD, RIGHT))
