"""How alike the bars of a take sound, and what that says for two of them being the same place.

A bar's look is the loudness of the twelve notes in eight parts of it, where bass, chords and
the tuning of drums are told apart and a ringing cymbal is not heard. How far apart two bars of the
same place of a section lie, and any two others, is measured in the take itself; so
likeness speaks loudly in a take whose bars differ and keeps silent where all are alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.beats import place_beats
from syncbox.rehearsal.chart import Chart, ChartBar
from syncbox.rehearsal.onsets import LOW, PITCH_STEPS, STEP_S, Floats, Onsets
from syncbox.rehearsal.walk import Placed

Ints = NDArray[np.int64]

_SLOTS, _NOTE_SLOTS = 16, 8
_LOW_ROWS, _DEEP_ROWS = 4, 2  # of the flavour, 40 to 640 Hz and 40 to 160 Hz
_CYCLE = 4  # bars after which grooves and chords often come round
_SPEAKS_MAX = 3.0  # nats that one pair of bars can say
_SPREAD_MIN = 0.2  # of a logarithm: less is not believed
_BEYOND = 2.5  # spreads of tied pairs farther than their middle begins what is not alike
_UNLIKE = 0.75  # of pairs that are not tied, this many are nearer than one that is not alike
_NEAREST = 0.08  # share of pairs that are taken for alike before more is known
_PAIRS_MIN = 6  # pairs of a kind from which its distances are known


@dataclass(frozen=True, slots=True)
class Ties:
    """In what two chart bars may be alike: numbers per chart bar, equal where they are."""

    place: Ints  # the same bar of the same section
    cycle: Ints  # so many whole cycles from it
    section: Ints


def ties_of(bars: Sequence[ChartBar]) -> Ties:
    """The ties of a chart."""

    def numbered(keys: Sequence[tuple[object, ...]]) -> Ints:
        seen: dict[tuple[object, ...], int] = {}
        return np.array([seen.setdefault(key, len(seen)) for key in keys])

    kinds = [(b.section, str(b.meter), b.continued, b.opening) for b in bars]
    return Ties(
        numbered([(*kind, b.section_bar) for kind, b in zip(kinds, bars, strict=True)]),
        numbered([(*kind, b.section_bar % _CYCLE) for kind, b in zip(kinds, bars, strict=True)]),
        numbered([(b.section, b.opening) for b in bars]),
    )


def looks_of(cuts: Floats, onsets: Onsets) -> Floats:
    """The look of each bar, (bars, rows, parts): its notes, or what was struck if it was told.

    cuts: of the bars, as `cuts_of` has them.
    """
    if onsets.pitches is None:
        return _struck(cuts, onsets.flavour, onsets)
    rows = onsets.pitches.astype(np.float64)
    edges = np.round(cuts[:, :: _SLOTS // _NOTE_SLOTS] / STEP_S / PITCH_STEPS).astype(int)
    return _means(rows, np.clip(edges, 0, rows.shape[1] - 1))


def lows_of(cuts: Floats, onsets: Onsets) -> Floats:
    """How much that is low sounds in each bar, (bars,)."""
    rows = onsets.flavour if onsets.exact else onsets.flavour[:_LOW_ROWS]
    return np.asarray(_struck(cuts, rows, onsets).mean(axis=(1, 2)))


def deep_of(cuts: Floats, onsets: Onsets) -> Floats:
    """What begins deep down in the parts of each bar, (bars, 1, parts): strokes of the bass drum.

    The first part is left out: what rings over from the bar before is not the bar's own.
    """
    deep = _normal(onsets.flavour[:_DEEP_ROWS].mean(axis=0, keepdims=True))
    begins = _means(deep, _centred(cuts[:, :: _SLOTS // _NOTE_SLOTS], onsets))
    begins[:, :, 0] = 0.0
    return begins


def _struck(cuts: Floats, rows: Floats, onsets: Onsets) -> Floats:
    """What begins in the parts of each bar, (bars, rows, parts), centred on where it is played."""
    from scipy.ndimage import maximum_filter1d

    edges = _centred(cuts, onsets)
    width = max(3, int(np.median(np.diff(edges))))
    strong = maximum_filter1d(_normal(onsets.strength[LOW : LOW + 1]), width)
    beats = strong[:, (edges[:, 1:] + edges[:, :-1]) // 2]
    looks = np.concatenate([_means(_normal(rows), edges), beats.transpose(1, 0, 2)], axis=1)
    return np.asarray(looks[:, :, 1:])  # what rings over from the bar before is not the bar's own


def _centred(cuts: Floats, onsets: Onsets) -> Ints:
    """Steps at which parts begin whose middles are where sounds are due, (bars, parts + 1)."""
    cuts = (cuts - (cuts[:, 1:2] - cuts[:, :1]) / 2) / STEP_S
    return np.asarray(np.clip(np.round(cuts).astype(int), 0, onsets.steps - 1))


def _means(rows: Floats, edges: Ints) -> Floats:
    """Means of rows between edges (bars, parts + 1), as (bars, rows, parts)."""
    total = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(rows, axis=1)], axis=1)
    means = (total[:, edges[:, 1:]] - total[:, edges[:, :-1]]) / np.maximum(np.diff(edges), 1)
    return np.asarray(means.transpose(1, 0, 2))


def cuts_of(chart: Chart, placed: Sequence[Placed], onsets: Onsets) -> Floats:
    """Begin of each part of each bar, and the end of the last, in seconds, laid through beats."""
    beats = place_beats(chart, placed, onsets)
    cuts = []
    for n, p in enumerate(placed):
        bar = chart.bars[p.index]
        here = beats.bar == n
        ends = p.end_s
        if n + 1 < len(placed) and not bar.hold_s and (beats.bar == n + 1).any():
            ends = float(beats.played_s[beats.bar == n + 1][0])
        mapped = np.array([*bar.beats_s, bar.seconds])
        times = np.array([*beats.played_s[here], ends])
        cuts.append(np.interp(np.linspace(0, bar.seconds, _SLOTS + 1), mapped, times))
    return np.array(cuts)


def distances(looks: Floats, fellows: NDArray[np.bool_], trust: Floats | None = None) -> Floats:
    """How far apart each two looks are, (bars, bars).

    Rows count by how much better than chance they agree between bars of one place:
    `fellows` says which two are; and by how much each is trusted, if that differs.
    """
    weights = np.ones(looks.shape[1])
    first, second = np.nonzero(np.triu(fellows, 1))
    if len(first) >= _PAIRS_MIN:
        within = ((looks[first] - looks[second]) ** 2).mean(axis=(0, 2)) / 2 + 1e-9
        gain = np.maximum(looks.var(axis=0).mean(axis=1) / within - 1, 0.05)
        weights = gain / within
    if trust is not None:
        weights = weights * trust
    flat = (looks * np.sqrt(weights / weights.sum())[:, None]).reshape(len(looks), -1)
    square = (flat**2).sum(axis=1)
    return np.asarray(np.sqrt(np.maximum(square[:, None] + square - 2 * flat @ flat.T, 0)))


@dataclass(frozen=True, slots=True)
class Likeness:
    """What each pair of observed bars says for being tied, in nats: (bars, bars) each."""

    place: Floats
    cycle: Floats
    section: Floats
    apart: Floats  # 0 as any two, positive nearer: in spreads

    @classmethod
    def unknown(cls, looks: Floats) -> Likeness:
        """Before any order is trusted: the nearest pairs of all are taken for alike."""
        far = distances(looks, np.zeros((len(looks), len(looks)), dtype=bool))
        inner = far[~np.eye(len(far), dtype=bool)]
        near, usual = np.log(np.quantile(inner, (_NEAREST, 0.5)) + 1e-9)
        told = _told(far, float(near), max((usual - near) / 4, _SPREAD_MIN), float(usual))
        return cls(told, np.log(0.5 * np.exp(told) + 0.5), np.zeros_like(told), _standing(far))

    @classmethod
    def of(cls, looks: Floats, ties: Ties, order: Ints) -> Likeness:
        """Measured on an order of chart places that is right for most bars."""
        place = tied(ties.place, order)
        cycle = tied(ties.cycle, order) & ~place
        section = tied(ties.section, order)
        far = distances(looks, place)
        beside = section & ~place & ~cycle
        others = ~section & ~np.eye(len(order), dtype=bool)
        return cls(
            _speaks(far, place, beside),
            np.log(0.5 * np.exp(_speaks(far, cycle, beside)) + 0.5),  # it may have no such cycle
            _speaks(far, section, others),
            _standing(far),
        )


def tied(names: Ints, order: Ints) -> NDArray[np.bool_]:
    """Which observed bars have the same name, (bars, bars); none with itself."""
    same = names[order][:, None] == names[order]
    np.fill_diagonal(same, val=False)
    return np.asarray(same)


def _speaks(far: Floats, tied: NDArray[np.bool_], others: NDArray[np.bool_]) -> Floats:
    """What each distance says for a tie: as nats, positive for it.

    Ratios of distances count. How far tied bars lie apart is known from those that are tied;
    what lies well beyond is not alike, however far it lies.
    """
    if tied.sum() < 2 * _PAIRS_MIN or others.sum() < 2 * _PAIRS_MIN:
        return np.zeros_like(far)
    ratio = np.log(far[tied] + 1e-9)
    near = float(np.median(ratio))
    spread = max(1.48 * float(np.median(np.abs(ratio - near))), _SPREAD_MIN)
    usual = float(np.log(np.quantile(far[others], _UNLIKE) + 1e-9))
    return _told(far, near, spread, usual)


def _told(far: Floats, near: float, spread: float, usual: float) -> Floats:
    """From logarithms of how far tied bars lie apart, with their spread, and others."""
    clear = np.clip((usual - near) / (2 * spread), 0.0, 1.0)
    middle = min(near + _BEYOND * spread, (near + usual) / 2)
    ratio = np.log(far + 1e-9)
    return np.asarray(clear * _SPEAKS_MAX * np.tanh((middle - ratio) / (0.5 * _BEYOND * spread)))


def _standing(far: Floats) -> Floats:
    """Distances as spreads nearer than the middle."""
    inner = far[~np.eye(len(far), dtype=bool)]
    middle, spread = float(np.median(inner)), float(inner.std()) + 1e-9
    return np.asarray(np.clip((middle - far) / spread, -2.5, 2.5))


def _normal(rows: Floats) -> Floats:
    mean = rows.mean(axis=1, keepdims=True)
    return np.asarray((rows - mean) / (rows.std(axis=1, keepdims=True) + 1e-9))
