"""Which bars were left out or repeated: the course held against how alike its bars sound.

Following alone knows how many bars were played, not which one is missing among
bars of one length. Here the same place in other passes of a section (the same
chords, the same fill) and the change of sound at section lines decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import Chart, ChartBar
from syncbox.rehearsal.following import Course, Placed, sound_changes
from syncbox.rehearsal.onsets import STEP_S, Floats, Onsets

Ints = NDArray[np.int64]

_SLOTS = 16  # a bar's sound is compared in sixteen parts
_LIKENESS_WEIGHT = 1.5  # of one bar that sounds like its fellows
_SECTION_WEIGHT = 0.7  # of one bar that sounds like its section
_ODD_WEIGHT, _ODD_FROM = 1.5, 6.0  # of a count-in that sounds like no bar of music
_LINE_WEIGHT = 1.2  # of a change of sound at a section line
_LINE_COST = 0.7
_JUMP_COST = 7.0
_PART_JUMP_COST = 3.0  # from the end of a pass to the begin of one
_EDGE_COST = 3.0  # for beginning or ending inside the chart
_REACH = 24  # bars that are shifted together at most
_SHORTLIST = 40
_ROUNDS = 8
_EQUAL = 4.0  # hypotheses this near are not told apart


@dataclass(frozen=True, slots=True)
class Slip:
    """Bars left out or played again: chart indices of the bars, and where else it may have been.

    first..last are the bars concerned by the best reading; low..high spans every bar that
    fits about as well.
    """

    kind: str  # missing | extra
    first: int
    last: int
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Reading:
    """A course whose bars have their chart places settled, and its slips."""

    course: Course
    slips: tuple[Slip, ...]


def settle(chart: Chart, course: Course, onsets: Onsets) -> Reading:
    """Move bars of a course to other places of the chart where they fit better by their sound."""
    if len(course.placed) < 3:
        return Reading(course, ())
    course = replace(course, placed=_with_edges(chart, course.placed, onsets))
    judge = _Judge(chart, course.placed, onsets)
    order = np.array([placed.index for placed in course.placed])
    score = judge.score(order)
    for _ in range(_ROUNDS):
        better, better_score = judge.best_move(order)
        if better is None or better_score < score + 0.5:
            break
        order, score = better, better_score
    placed = tuple(
        replace(p, index=int(index)) for p, index in zip(course.placed, order, strict=True)
    )
    slips = tuple(_slips(chart.bars, order, judge))
    return Reading(Course(placed, course.score), slips)


def _with_edges(chart: Chart, placed: Sequence[Placed], onsets: Onsets) -> tuple[Placed, ...]:
    """The course without bars at its ends in which nobody plays, and with those that are played."""
    bars = chart.bars
    own = np.array([_support(bars[p.index], p, onsets) for p in placed])
    enough = float(np.median(own)) - max(0.8, 3.0 * float(np.median(np.abs(own - np.median(own)))))
    first, last = 0, len(placed)
    while last - first > 3 and own[last - 1] < enough and not bars[placed[last - 1].index].hold_s:
        last -= 1
    while last - first > 3 and own[first] < enough:
        first += 1
    out = list(placed[first:last])
    for _ in range(2):
        lead = out[0]
        index = max(0, lead.index - 1)
        length = bars[index].seconds / lead.ratio
        more = Placed(index, lead.start_s - length, lead.start_s, lead.ratio)
        if more.start_s < -0.05 or _support(bars[index], more, onsets) < enough:
            break
        out.insert(0, more)
    return tuple(out)


def _support(bar: ChartBar, p: Placed, onsets: Onsets) -> float:
    """How strongly sounds begin on a bar's beats after its first third of a beat."""
    beat = onsets.strength.max(axis=0)
    pace = (p.end_s - p.start_s) / bar.seconds
    at = [round((p.start_s + s * pace) / STEP_S) for s in bar.beats_s if s > 0.05 * bar.seconds]
    found = [float(beat[max(0, a - 4) : a + 5].max(initial=-1.0)) for a in at if a >= 0]
    return float(np.mean(found)) if found else 0.0


class _Judge:
    """Scores of giving the observed bars other chart places; -1 stands for no bar at all."""

    def __init__(self, chart: Chart, placed: Sequence[Placed], onsets: Onsets) -> None:
        self.bars, self.first = chart.bars, chart.first
        self.alike = _likeness(placed, onsets)
        names: dict[tuple[object, ...], int] = {}
        self.group = np.array(
            [
                names.setdefault((b.section, b.section_bar, str(b.meter), b.continued), len(names))
                for b in chart.bars
            ]
        )
        self.section = np.array([hash(b.section) for b in chart.bars])
        self.opening = np.array([b.opening for b in chart.bars])
        self.odd = _oddness(self.alike)
        self.lines = line_evidence(chart, placed, onsets)
        self.lines[0] = _LINE_COST  # any begin changes silence into sound
        self.fits = _fits(chart.bars, placed)
        self.part = np.array([hash(b.part) for b in chart.bars])
        opens = [i == 0 or b.part != chart.bars[i - 1].part for i, b in enumerate(chart.bars)]
        self.opens = np.array(opens)
        self.closes = np.append(self.opens[1:], True)

    def allowed(self, order: Ints) -> bool:
        inside = bool((order >= 0).all() and (order < len(self.bars)).all())
        return inside and bool(self.fits[np.arange(len(order)), order].all())

    def score(self, order: Ints) -> float:
        """Likeness, section lines and the price of every jump, of chart places (observed,)."""
        alike = float(self._alike(order, order).sum())
        opens = self.opens[order]
        lines = float((self.lines[opens] - _LINE_COST).sum())
        jumps = np.flatnonzero(np.diff(order) != 1)
        whole = self.closes[order[jumps]] & self.opens[order[jumps + 1]]
        price = float(np.where(whole, _PART_JUMP_COST, _JUMP_COST).sum())
        price += _EDGE_COST * (order[0] > self.first) * min(3, order[0] - self.first)
        price += _EDGE_COST * min(3, len(self.bars) - 1 - order[-1])
        opening = float(self.odd[self.opening[order]].sum())
        return float(alike + _LINE_WEIGHT * lines + opening - price)

    def _alike(self, places: Ints, order: Ints) -> Floats:
        """Likeness of each bar, put at its place in `places`, to the others as in `order`."""
        out = np.zeros(len(order))
        for names, weight in ((self.group, _LIKENESS_WEIGHT), (self.section, _SECTION_WEIGHT)):
            fellows = names[places][:, None] == names[order][None]
            np.fill_diagonal(fellows, val=False)
            out += weight * (self.alike * fellows).sum(axis=1) / np.maximum(fellows.sum(axis=1), 1)
        return out

    def best_move(self, order: Ints) -> tuple[Ints | None, float]:
        """The best of shifting any run of bars by one place."""
        moves = self._moves(order)
        best, best_score = None, -np.inf
        for first, last, shift in moves:
            moved = order.copy()
            moved[first:last] += shift
            if self.allowed(moved) and (score := self.score(moved)) > best_score:
                best, best_score = moved, score
        return best, best_score

    def _moves(self, order: Ints) -> list[tuple[int, int, int]]:
        """Runs and shifts that promise most, by each bar's own likeness at its new place."""
        count = len(order)
        promised: list[tuple[float, int, int, int]] = []
        for shift in (-1, 1):
            gain = self._gain(order, shift)
            total = np.concatenate([[0.0], np.cumsum(gain)])
            ends = {(f, t) for f in range(count) for t in range(f + 1, min(count, f + _REACH) + 1)}
            ends |= {(0, t) for t in range(1, count + 1)} | {(f, count) for f in range(count)}
            jumps = np.diff(order, prepend=order[0] - 1, append=order[-1] + 1) != 1
            for first, last in ends:
                mended = _JUMP_COST * (int(jumps[first]) + int(jumps[last]))
                promised.append((float(total[last] - total[first]) + mended, first, last, shift))
        promised.sort(reverse=True)
        return [move[1:] for move in promised[:_SHORTLIST]]

    def _gain(self, order: Ints, shift: int) -> Floats:
        """What each bar would gain alone by the shift, (observed,)."""
        moved = np.clip(order + shift, 0, len(self.bars) - 1)
        fits = self.fits[np.arange(len(order)), moved]

        def own(places: Ints) -> Floats:
            lines = self.opens[places] * (self.lines - _LINE_COST)
            odd = self.opening[places] * self.odd
            return np.asarray(self._alike(places, order) + _LINE_WEIGHT * lines + odd)

        return np.where(fits, own(moved) - own(order), -50.0)


def _likeness(placed: Sequence[Placed], onsets: Onsets) -> Floats:
    """How alike each two bars sound: 0 as any two, positive more, (observed, observed)."""
    sound = np.concatenate([_normal(onsets.flavour), 0.7 * _normal(onsets.strength)])
    total = np.concatenate([np.zeros((len(sound), 1)), np.cumsum(sound, axis=1)], axis=1)
    cuts = np.array([np.linspace(p.start_s, p.end_s, _SLOTS + 1) for p in placed]) / STEP_S
    edges = np.clip(np.round(cuts).astype(int), 0, onsets.steps)
    parts = (total[:, edges[:, 1:]] - total[:, edges[:, :-1]]) / np.maximum(np.diff(edges), 1)
    looks = parts.transpose(1, 0, 2).reshape(len(placed), -1)
    square = (looks**2).sum(axis=1)
    apart = np.sqrt(np.maximum(square[:, None] + square[None] - 2 * looks @ looks.T, 0))
    others = apart[~np.eye(len(placed), dtype=bool)]
    middle, spread = float(np.median(others)), float(others.std()) + 1e-9
    return np.asarray(np.clip((middle - apart) / spread, -2.5, 2.5))


def _oddness(alike: Floats) -> Floats:
    """How unlike all others each bar sounds: above 0 for a count-in among music, (observed,)."""
    own = alike.mean(axis=1)
    middle = float(np.median(own))
    usual = float(np.median(np.abs(own - middle))) + 1e-9
    return np.asarray(np.clip(((middle - own) / usual - _ODD_FROM) * _ODD_WEIGHT, -4.0, 5.0))


def _normal(rows: Floats) -> Floats:
    mean = rows.mean(axis=1, keepdims=True)
    return np.asarray((rows - mean) / (rows.std(axis=1, keepdims=True) + 1e-9))


def line_evidence(chart: Chart, placed: Sequence[Placed], onsets: Onsets) -> Floats:
    """Change of sound at each observed bar line against the other bar lines, (observed,)."""
    changes = sound_changes(chart, onsets)
    at = np.array([round(p.start_s / (2 * STEP_S)) for p in placed])
    near = np.array([changes[max(0, a - 2) : a + 3].max(initial=-1.0) for a in at])
    return np.asarray(np.clip((near - near.mean()) / (near.std() + 1e-9), -1.5, 3.0))


def _fits(bars: Sequence[ChartBar], placed: Sequence[Placed]) -> NDArray[np.bool_]:
    """Whether each observed bar can be each chart bar, by rhythm and length: (observed, chart)."""
    fits = np.zeros((len(placed), len(bars)), dtype=bool)
    for i, p in enumerate(placed):
        own = bars[p.index]
        for j, bar in enumerate(bars):
            same = len(bar.beats_s) == len(own.beats_s) and abs(bar.quarters - own.quarters) < 1e-6
            near = abs(np.log(bar.seconds / own.seconds)) < 0.05
            fits[i, j] = same and near and bar.hold_s == own.hold_s
    return fits


def _slips(bars: Sequence[ChartBar], order: Ints, judge: _Judge) -> list[Slip]:
    """What the jumps of an order left out or played again, and how sure their places are."""
    slips = []
    for at in np.flatnonzero(np.diff(order) != 1) + 1:
        before, after = int(order[at - 1]), int(order[at])
        kind = "missing" if after > before else "extra"
        first, last = (before + 1, after - 1) if after > before else (after, before)
        if kind == "missing" and all(bars[i].opening for i in range(first, last + 1)):
            continue  # nobody counted in after the hold
        low, high = _span(order, int(at), judge)
        slips.append(Slip(kind, first, last, first - low, last + high))
    return slips


def _span(order: Ints, at: int, judge: _Judge) -> tuple[int, int]:
    """How many bars earlier and later a jump fits about as well."""
    step = int(order[at] - order[at - 1]) - 1
    best = judge.score(order)
    reach = [0, 0]
    for side, way in enumerate((-1, 1)):
        for far in range(1, _REACH):
            moved = order.copy()
            if way < 0:
                run = slice(at - far, at)
                if at - far < 1:
                    break
                moved[run] += step
            else:
                run = slice(at, at + far)
                if at + far > len(order):
                    break
                moved[run] -= step
            if not judge.allowed(moved):
                break
            if judge.score(moved) > best - _EQUAL:
                reach[side] = far
    return reach[0], reach[1]
