"""The curves and weights of `syncbox/rehearsal/fitted.py`: always made of the same takes.

Imagined takes: weights come from the seeds from 0 on, what is told of beats also from those
from 5000 on, and `bench_rehearsal.py` judges with those from 10000 on. Published records
beside them, because an imagined band is plainer than a real one: every third rendered piece
and every other recorded one; `bench_records.py --judging` judges with the rest.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from bench_rehearsal import KINDS, RATE, take_of

from syncbox.rehearsal import belief
from syncbox.rehearsal.beats import Beats, place_beats
from syncbox.rehearsal.chart import Chart, at_pace, chart_of
from syncbox.rehearsal.following import follow
from syncbox.rehearsal.imagined import Played, imagined_song
from syncbox.rehearsal.imagined_sound import sound_of
from syncbox.rehearsal.likeness import tied, ties_of
from syncbox.rehearsal.onsets import Onsets, onsets_of
from syncbox.rehearsal.structure import Reading, settle

FITTED = Path(__file__).parents[1] / "syncbox" / "rehearsal" / "fitted.py"
CALIBRATION_SEED = 5000
ALIKE_BARS = 8  # songs that differ by no more look alike
RIGHT_WEIGHT = 1.0  # against all wrong songs: to refuse the right one is as bad as to take another
RECORD_WEIGHT = 3.0  # of a published record against an imagined take: there are fewer
SAME_TIES = 0.7  # share of ties in common from which on a take itself bears a wrong song's form
POINTS = 10  # of a curve
CURVE_PULL, BEAT_PULL = 3e-4, 3e-3  # to 0; beats of one take are much alike
SMOOTH = 3e-4  # a curve's pull to a straight line
_BINS, _FINER = 24, 6
Curve = tuple[np.ndarray, np.ndarray]  # values, nats
Model = tuple[float, list[Curve]]  # a base, and a curve for each feature


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


@dataclass
class Evidence:
    """What one take says: of right and wrong songs, and of the right song's beats."""

    matches: list[np.ndarray] = field(default_factory=list)
    right: list[bool] = field(default_factory=list)
    beats: np.ndarray = field(default_factory=lambda: np.empty((0, len(belief.BEAT_FEATURES))))
    beats_right: np.ndarray = field(default_factory=lambda: np.empty(0))
    weight: float = 1.0

    def add(self, chart: Chart, onsets: Onsets, truth: np.ndarray | None) -> Reading | None:
        """Follow a song; truth: when its beats were played, if it is the right one."""
        settled = settle(chart, follow(chart, onsets), onsets)
        if len(settled.course.placed) < 3:
            return None
        beats = place_beats(chart, settled.course.placed, onsets)
        self.matches.append(belief.match_features(chart, settled, beats, onsets))
        self.right.append(truth is not None)
        if truth is not None:
            x, y = beats_of(beats, onsets, truth)
            self.beats, self.beats_right = (
                np.concatenate([self.beats, x]),
                np.append(self.beats_right, y),
            )
        return settled

    def forget_last(self) -> None:
        self.matches.pop()
        self.right.pop()


def evidence(seed: int, *, beats_only: bool = False) -> Evidence:
    """Of an imagined take."""
    _, manner, played = take_of(seed, (1.0, 1.0, 1.0, 1.0, 0.87, 1.12, 0.95)[seed % 7])
    sound, cut_s = sound_of(played, manner, seed), 0.0
    if seed % 5 == 0:  # takes that begin in the middle of the song and end before it does
        cut_s = round(0.3 * played.end_s)
        sound = sound[cut_s * RATE : round(0.8 * played.end_s) * RATE]
    onsets, out = onsets_of(sound), Evidence()
    out.add(played.chart, onsets, np.concatenate(played.beats_s) - cut_s)
    for chart in () if beats_only else wrong_songs(seed, played):
        if look_alike(chart, played.chart):
            continue
        settled = out.add(chart, onsets, None)
        if settled and same_ties(chart, settled, played, cut_s) > SAME_TIES:
            out.forget_last()  # what is left of the song has this form, too
    return out


def same_ties(chart: Chart, settled: Reading, played: Played, cut_s: float) -> float:
    """How far a wrong song says of the same bars that they are the same place: 0..1."""
    starts = np.array([b[0] if len(b) else np.nan for b in played.beats_s]) - cut_s
    placed = settled.course.placed
    if not placed:
        return 0.0
    true = np.array([played.order[np.nanargmin(np.abs(starts - p.start_s))] for p in placed])
    music = np.array([not played.chart.bars[index].opening for index in true])
    said = tied(ties_of(chart.bars).place, np.array([p.index for p in placed]))
    known = tied(ties_of(played.chart.bars).place, true)
    said, known = said[np.ix_(music, music)], known[np.ix_(music, music)]
    return float((said & known).sum() / max(1, (said | known).sum())) if said.any() else 0.0


def record_evidence(name: str) -> Evidence:
    """Of a published record as it is, written with its sections and as one section."""
    from bench_records import nearer, wrong_for
    from found_music import song_of
    from record_takes import pieces
    from record_takes import take_of as record_of

    everything = pieces()
    n, piece = next(each for each in enumerate(everything) if each[1].name == name)
    take = record_of(piece, "plain", n)
    out = Evidence(weight=RECORD_WEIGHT)
    truth = np.sort(np.concatenate(take.beats_s))
    for sections in (True, False):
        out.add(chart_of(song_of(piece.music, name, sections=sections)), take.onsets, truth)
    for other, near, sections in wrong_for(take, everything):
        chart = chart_of(song_of(other.music, other.name, sections=sections))
        out.add(nearer(chart, take) if near else chart, take.onsets, None)
    return out


def beats_of(beats: Beats, onsets: Onsets, truth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    nearest = np.array([np.abs(truth - at).min() * 1000 for at in beats.played_s])
    return belief.beat_features(beats, onsets), nearest <= belief.RIGHT_MS


def fitted(x: np.ndarray, y: np.ndarray, weight: np.ndarray, pulls: np.ndarray) -> np.ndarray:
    """Weights of a logistic function. pulls: (weights, weights), what bends them to 0."""
    from scipy.optimize import minimize

    total = weight.sum()

    def cost(w: np.ndarray) -> tuple[float, np.ndarray]:
        told = np.clip(x @ w, -30, 30)
        chance = 1 / (1 + np.exp(-told))
        loss = weight @ (np.logaddexp(0, told) - y * told) / total
        return loss + w @ pulls @ w, x.T @ (weight * (chance - y)) / total + 2 * pulls @ w

    return minimize(cost, np.zeros(x.shape[1]), jac=True, options={"maxiter": 2000}).x


def curves_of(x: np.ndarray, y: np.ndarray, weight: np.ndarray, pull: float = CURVE_PULL) -> Model:
    """What each feature adds, as straight lines between points: a base, and a curve for each."""
    shares = [0.0, *np.linspace(0.02, 0.98, POINTS), 1.0]
    points = [np.unique(np.quantile(column, shares).round(2)) for column in x.T]
    count = 1 + sum(len(values) for values in points)
    pulls, at = pull * np.eye(count), 1
    for values in points:
        bends = np.diff(np.eye(len(values)), 2, axis=0)
        here = slice(at, at + len(values))
        pulls[here, here] += SMOOTH * bends.T @ bends
        at += len(values)
    found = fitted(_between(x, points), y, weight, pulls)
    curves, at, base = [], 1, float(found[0])
    for values in points:
        curves.append((values, found[at : at + len(values)]))
        at += len(values)
    return base, curves


def _between(x: np.ndarray, points: list[np.ndarray]) -> np.ndarray:
    """How near each value lies to each point of its curve, 0..1, with a column of ones."""
    columns = [np.ones(len(x))]
    for column, values in zip(x.T, points, strict=True):
        columns += [np.interp(column, values, each) for each in np.eye(len(values))]
    return np.array(columns).T


def calibrated(
    told: np.ndarray, right: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """A line that only rises, from what the logistic function says to how often it was right."""
    from scipy.optimize import isotonic_regression

    order = np.argsort(told, kind="stable")
    bins = [b for b in np.array_split(order, _BINS) if len(b)]
    bins += [b for b in np.array_split(order[: len(bins[0])], _FINER) if len(b)]  # doubtful ones
    bins = bins[-_FINER:] + bins[1:-_FINER]
    mass = np.array([weight[b].sum() for b in bins])
    x = np.array([weight[b] @ told[b] for b in bins]) / mass
    share = np.array([weight[b] @ right[b] + 0.5 for b in bins]) / (mass + 1)
    level = isotonic_regression(share, weights=mass).x
    keep = np.concatenate([[True], np.diff(x) > 1e-4])
    return np.append(np.insert(x[keep], 0, 0.0), 1.0), np.append(
        np.insert(level[keep], 0, 0.0), level[-1]
    )


def fit(takes: int, jobs: int) -> None:
    """Fit, print how well, and write the module."""
    from joblib import Parallel, delayed
    from record_takes import is_fitted, pieces

    everything = pieces()
    run = Parallel(n_jobs=jobs)
    found = run(delayed(evidence)(seed) for seed in range(takes))
    records = [piece.name for piece in everything if is_fitted(piece, everything)]
    found += run(delayed(record_evidence)(name) for name in records)
    others = run(delayed(evidence)(seed, beats_only=True) for seed in calibration_seeds(takes))
    FITTED.write_text(module_from(takes, found, others), encoding="utf-8")
    print(f"written: {FITTED.name}")


def calibration_seeds(takes: int) -> list[int]:
    """Whole takes only: whether a take that begins in the middle is misplaced, the match tells."""
    return [seed for seed in range(CALIBRATION_SEED, CALIBRATION_SEED + takes) if seed % 5]


def module_from(takes: int, found: list[Evidence], others: list[Evidence]) -> str:
    """The module that follows from evidence to fit with, and from other beats to calibrate with."""
    x = np.array([row for each in found for row in each.matches])
    y = np.array([right for each in found for right in each.right], float)
    weight = np.array([each.weight for each in found for _ in each.right])
    weight *= np.where(y == 1, RIGHT_WEIGHT, weight[y == 1].sum() / weight[y == 0].sum())
    match = curves_of(x, y, weight)
    told = chances(match, x)
    for name, column in zip(belief.MATCH_FEATURES, x.T, strict=True):
        print(f"  {name:12} right {column[y == 1].mean():5.2f}  wrong {column[y == 0].mean():5.2f}")
    print(f"  right below half: {(told[y == 1] < 0.5).mean():.3f} of {int(y.sum())}")
    print(f"  wrong above half: {(told[y == 0] > 0.5).mean():.3f} of {int((1 - y).sum())}")
    beats = curves_of(*_beats(found), BEAT_PULL)
    # Records are few: those that weights came from also say how often beats were right.
    records = [each for each in found if each.weight != 1.0]
    x, y, weight = _beats([*others, *records])
    return module_text(takes, match, beats, calibrated(chances(beats, x), y, weight))


def chances(model: Model, x: np.ndarray) -> np.ndarray:
    """What a base and curves say of rows of features, 0..1."""
    base, curves = model
    told = base + sum(np.interp(c, *curve) for c, curve in zip(x.T, curves, strict=True))
    return 1 / (1 + np.exp(-np.clip(told, -30, 30)))


def _beats(found: list[Evidence]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    weights = [np.full(len(each.beats_right), each.weight) for each in found]
    return (
        np.concatenate([each.beats for each in found]),
        np.concatenate([each.beats_right for each in found]),
        np.concatenate(weights),
    )


def module_text(
    takes: int, match: Model, beats: Model, calibration: tuple[np.ndarray, np.ndarray]
) -> str:
    """The module as it is kept."""
    out = [
        '"""What tells a song and a beat, for `belief`: made by\n'
        f"`tools/bench_rehearsal.py --fit --takes {takes}`.\n\n"
        "Curves: nats that each value of a feature adds, between points. TOLD, RIGHT: what they\n"
        'say of beats, and how often those were right.\n"""\n',
        *_model("MATCH", match, belief.MATCH_FEATURES),
        *_model("BEAT", beats, belief.BEAT_FEATURES),
    ]
    for name, table in zip(("TOLD", "RIGHT"), calibration, strict=True):
        out.append(f"{name} = {_rows(table, 4, 4).lstrip()}  # fmt: skip\n")
    return "\n".join(out).rstrip() + "\n"


def _model(name: str, model: Model, features: Sequence[str]) -> Iterator[str]:
    base, curves = model
    yield f"{name}_BASE = {base:.2f}\n"
    yield f"{name}_CURVES = {{"
    for feature, (values, nats) in zip(features, curves, strict=True):
        yield f'    "{feature}": (\n{_rows(values, 2, 8)},\n{_rows(nats, 2, 8)},\n    ),'
    yield "}  # fmt: skip\n"


def _rows(table: np.ndarray, places: int, indent: int) -> str:
    """Numbers as a tuple, wrapped."""
    numbers = ", ".join(f"{round(float(value), places):g}" for value in table)
    numbers += "," * (len(table) == 1)
    space = " " * indent
    return textwrap.fill(f"({numbers})", 96, initial_indent=space, subsequent_indent=f"{space} ")
