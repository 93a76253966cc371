"""The weights of `syncbox/rehearsal/fitted.py`, from imagined takes: always the same ones.

Weights come from the seeds from 0 on, what is told of beats from those from 5000 on,
and `bench_rehearsal.py` judges with those from 10000 on.
"""

from __future__ import annotations

import textwrap
from pathlib import Path

import numpy as np
from bench_rehearsal import KINDS, RATE, take_of

from syncbox.rehearsal import belief
from syncbox.rehearsal.beats import Beats, place_beats
from syncbox.rehearsal.chart import Chart, at_pace, chart_of
from syncbox.rehearsal.following import follow
from syncbox.rehearsal.imagined import Played, imagined_song
from syncbox.rehearsal.imagined_sound import sound_of
from syncbox.rehearsal.onsets import Onsets, onsets_of
from syncbox.rehearsal.structure import settle

FITTED = Path(__file__).parents[1] / "syncbox" / "rehearsal" / "fitted.py"
CALIBRATION_SEED = 5000
ALIKE_BARS = 8  # songs that differ by no more look alike
RIGHT_WEIGHT = 1.0  # against all wrong songs: to refuse the right one is as bad as to take another
_BINS = 24


def wrong_songs(seed: int, played: Played) -> list[Chart]:
    """Two songs that a take is not: one at its own tempo, one near the tempo of the take."""
    first = chart_of(imagined_song(seed + 1000, KINDS[seed % 4]))
    second = chart_of(imagined_song(seed + 2000, KINDS[seed % 4]))
    own = float(played.chart.song.tempo_qpm)
    nearer = own * (0.96 + 0.01 * (seed % 9)) / float(second.song.tempo_qpm)
    return [first, at_pace(second, nearer)]


def look_alike(one: Chart, other: Chart) -> bool:
    """Whether one song is the other with a few bars more or less: nobody could tell their maps.

    Sections are known by the order in which they come, bars by section and meter; the
    distance is that of V. I. Levenshtein, 1966 (from memory).
    """

    def form(chart: Chart) -> list[tuple[int, str]]:
        names: dict[str, int] = {}
        bars = [bar for bar in chart.bars if not bar.opening]
        return [(names.setdefault(bar.section, len(names)), str(bar.meter)) for bar in bars]

    first, second = form(one), form(other)
    row = list(range(len(second) + 1))
    for n, bar in enumerate(first, 1):
        before, row = row, [n]
        for m, match in enumerate(second, 1):
            row.append(min(before[m] + 1, row[-1] + 1, before[m - 1] + (bar != match)))
    return row[-1] <= ALIKE_BARS


def evidence(
    seed: int, *, beats_only: bool = False
) -> tuple[list[np.ndarray], list[bool], np.ndarray, np.ndarray]:
    """Features of the match of right and wrong songs; features of beats, whether each is right."""
    _, manner, played = take_of(seed, (1.0, 1.0, 1.0, 1.0, 0.87, 1.12, 0.95)[seed % 7])
    sound, cut_s = sound_of(played, manner, seed), 0.0
    if seed % 5 == 0:  # takes that begin in the middle of the song and end before it does
        cut_s = round(0.3 * played.end_s)
        sound = sound[cut_s * RATE : round(0.8 * played.end_s) * RATE]
    onsets = onsets_of(sound)
    tries = [(played.chart, True)]
    if not beats_only:
        tries += [(c, False) for c in wrong_songs(seed, played) if not look_alike(c, played.chart)]
    found, right = [], []
    beats_x, beats_y = np.empty((0, len(belief.BEAT_FEATURES))), np.empty(0)
    for chart, is_it in tries:
        settled = settle(chart, follow(chart, onsets), onsets)
        if len(settled.course.placed) < 3:
            continue
        beats = place_beats(chart, settled.course.placed, onsets)
        found.append(belief.match_features(chart, settled, beats, onsets))
        right.append(is_it)
        if is_it:
            beats_x, beats_y = beats_of(beats, onsets, np.concatenate(played.beats_s) - cut_s)
    return found, right, beats_x, beats_y


def beats_of(beats: Beats, onsets: Onsets, truth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    nearest = np.array([np.abs(truth - at).min() * 1000 for at in beats.played_s])
    return belief.beat_features(beats, onsets), nearest <= belief.RIGHT_MS


def fitted(x: np.ndarray, y: np.ndarray, weight: np.ndarray | None = None) -> np.ndarray:
    """Weights of a logistic function, with a little pull to 0."""
    from scipy.optimize import minimize

    weight = np.ones(len(y)) if weight is None else weight
    total = weight.sum()

    def cost(w: np.ndarray) -> tuple[float, np.ndarray]:
        told = np.clip(x @ w, -30, 30)
        chance = 1 / (1 + np.exp(-told))
        loss = weight @ (np.logaddexp(0, told) - y * told) / total
        return loss + 1e-3 * w @ w, x.T @ (weight * (chance - y)) / total + 2e-3 * w

    return minimize(cost, np.zeros(x.shape[1]), jac=True).x


def calibrated(told: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A line that only rises, from what the logistic function says to how often it was right."""
    from scipy.optimize import isotonic_regression

    order = np.argsort(told, kind="stable")
    bins = [b for b in np.array_split(order, _BINS) if len(b)]
    bins += [b for b in np.array_split(order[: len(bins[0])], 6) if len(b)]  # doubtful ones: finer
    bins = bins[-6:] + bins[1:-6]
    x = np.array([told[b].mean() for b in bins])
    share = np.array([(right[b].sum() + 0.5) / (len(b) + 1) for b in bins])
    level = isotonic_regression(share, weights=[len(b) for b in bins]).x
    keep = np.concatenate([[True], np.diff(x) > 1e-4])
    return np.append(np.insert(x[keep], 0, 0.0), 1.0), np.append(
        np.insert(level[keep], 0, 0.0), level[-1]
    )


def fit(takes: int, jobs: int) -> None:
    """Fit, print how well, and write the module."""
    from joblib import Parallel, delayed

    run = Parallel(n_jobs=jobs)
    found = run(delayed(evidence)(seed) for seed in range(takes))
    others = run(delayed(evidence)(seed, beats_only=True) for seed in calibration_seeds(takes))
    FITTED.write_text(module_from(takes, found, others), encoding="utf-8")
    print(f"written: {FITTED.name}")


def calibration_seeds(takes: int) -> list[int]:
    """Whole takes only: whether a take that begins in the middle is misplaced, the match tells."""
    return [seed for seed in range(CALIBRATION_SEED, CALIBRATION_SEED + takes) if seed % 5]


def module_from(takes: int, found: list[tuple], others: list[tuple]) -> str:
    """The module that follows from evidence to fit with, and from other beats to calibrate with."""
    x = np.array([row for each in found for row in each[0]])
    y = np.array([right for each in found for right in each[1]], float)
    balance = np.where(y == 1, RIGHT_WEIGHT, (y == 1).sum() / (y == 0).sum())
    match = np.round(fitted(x, y, balance), 2)
    told = 1 / (1 + np.exp(-x @ match))
    for name, weight, column in zip(belief.MATCH_FEATURES, match, x.T, strict=True):
        means = column[y == 1].mean(), column[y == 0].mean()
        print(f"  {name:12} {weight:6.2f}  right {means[0]:5.2f}  wrong {means[1]:5.2f}")
    print(f"  right below half: {(told[y == 1] < 0.5).mean():.3f} of {int(y.sum())}")
    print(f"  wrong above half: {(told[y == 0] > 0.5).mean():.3f} of {int((1 - y).sum())}")
    beats_x, beats_y = (np.concatenate([f[n] for f in found]) for n in (2, 3))
    beats = np.round(fitted(beats_x, beats_y), 2)
    chance = 1 / (1 + np.exp(-np.concatenate([f[2] for f in others]) @ beats))
    said, right = calibrated(chance, np.concatenate([f[3] for f in others]))
    return module_text(takes, match, beats, said, right)


def module_text(takes: int, *tables: np.ndarray) -> str:
    """The module as it is kept."""
    names = ("MATCH_WEIGHTS", "BEAT_WEIGHTS", "TOLD", "RIGHT")
    digits = (2, 2, 4, 4)
    lines = [
        '"""Weights for `belief`, made by `tools/bench_rehearsal.py --fit --takes '
        f'{takes}`.\n\nIt writes the same file again, digit for digit.\n"""\n'
    ]
    for name, table, places in zip(names, tables, digits, strict=True):
        numbers = ", ".join(f"{round(float(value), places):g}" for value in table)
        rows = textwrap.fill(f"{numbers},", 96, initial_indent="    ", subsequent_indent="    ")
        lines.append(f"{name} = (\n{rows}\n)  # fmt: skip\n")
    return "\n".join(lines).rstrip() + "\n"
