"""Which bars were left out or repeated: the course held against how alike its bars sound.

Following alone knows how many bars were played, not which one is missing among
bars of one length. Here the same place in other passes of a section (the same
chords, the same fill) and the change of sound at section lines decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import Chart, ChartBar
from syncbox.rehearsal.curves import sound_changes
from syncbox.rehearsal.edges import silence_round, with_edges
from syncbox.rehearsal.form import Form, Heard, form_of
from syncbox.rehearsal.likeness import (
    Likeness,
    cuts_of,
    deep_of,
    distances,
    looks_of,
    lows_of,
    ties_of,
)
from syncbox.rehearsal.onsets import STEP_S, Floats, Onsets
from syncbox.rehearsal.telling import Telling
from syncbox.rehearsal.walk import Course, Placed

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_PLACE_WEIGHT = 1.0  # of a bar that sounds like the same bar of the section elsewhere
_CYCLE_WEIGHT = 0.5  # of a bar that sounds like the one a cycle away
_SECTION_WEIGHT = 1.0  # of a bar that sounds like its section
_ODD_WEIGHT, _ODD_FROM = 1.0, 2.7  # of a count-in that sounds like no bar of music, in spreads
_THIN_WEIGHT, _THIN_FROM = 4.0, 2.8  # of a count-in with less low sound than music
_ODD_MAX = 20.0
_LINE_WEIGHT = 1.2  # of a change of sound at a section line
_LINE_COST = 0.7
_JUMP_COST = 10.0
_PART_JUMP_COST = 3.0  # from the end of a pass to the begin of one
_EDGE_COST = 3.0  # for beginning or ending inside the chart
_CUT_COST = 1.0  # the same where the recording begins or ends amid the sound
_ALMOST_COST = 12.0  # for one bar late or early where silence shows that the band played it so
_REACH = 24  # bars that are shifted together at most
_SHORTLIST = 40
_GRID = 3  # bars between places where all that follows is tried one bar off
_ONE_TEMPO, _ANY_TEMPO = 0.05, 0.2  # by how much lengths of bars may differ, of a logarithm
_NAMED = 3  # other places that are told
_ROUNDS = 8
_TURNS = 8
_RIVALS = 10  # orders that are measured to be compared with the best so far
_HOPELESS = 20.0
_GAIN_MIN = 0.5
_EQUAL_OPENING = 4.0  # the crash that opens a section is played on whichever bar comes first
_EQUAL = 2.0  # hypotheses this near are not told apart
_EQUAL_PLACES = 5.0  # the same of places for a part of a song


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
    form: Form = field(default_factory=Form)
    elsewhere: tuple[int, ...] = ()  # other chart bars that the first one may as well be
    next_best: tuple[int, ...] = ()  # those it would be if not this one, however much worse


def settle(chart: Chart, course: Course, onsets: Onsets) -> Reading:
    """Move bars of a course to other places of the chart where they fit better by their sound."""
    if len(course.placed) < 3:
        return Reading(course, ())
    course = replace(course, placed=with_edges(chart, course.placed, onsets))
    order = np.array([placed.index for placed in course.placed])
    judge = _Judge(chart, course.placed, onsets)
    order = judge.settled(order)
    placed = tuple(
        _moved(p, chart.bars, int(index)) for p, index in zip(course.placed, order, strict=True)
    )
    slips = tuple(_slips(chart.bars, order, judge))
    heard = Heard(judge.ties, order, judge.alike.apart, judge.far())
    form = form_of(chart.bars, heard)
    return Reading(Course(placed, course.score), slips, form, *judge.elsewhere(order))


def _moved(p: Placed, bars: Sequence[ChartBar], index: int) -> Placed:
    """What was played as one bar taken for another one, at the tempo that follows."""
    return replace(p, index=index, ratio=p.ratio * bars[index].seconds / bars[p.index].seconds)


class _Judge:
    """Scores of giving the observed bars other chart places; -1 stands for no bar at all."""

    def __init__(self, chart: Chart, placed: Sequence[Placed], onsets: Onsets) -> None:
        self.bars, self.first = chart.bars, chart.first
        self.ties = ties_of(chart.bars)
        cuts = cuts_of(chart, placed, onsets)
        self.looks, self.lows = looks_of(cuts, onsets), lows_of(cuts, onsets)
        self.deep = None if onsets.pitches is None else deep_of(cuts, onsets)
        self.odd_least = 0.0 if onsets.exact else -_ODD_MAX  # a count-in is tapped as music is
        self.alike = Likeness.unknown(self.looks)
        self.odd = _oddness(self.alike.apart, self.lows, self.odd_least)
        self.opening = np.array([b.opening for b in chart.bars])
        self.lines = line_evidence(chart, placed, onsets)
        self.lines[0] = _LINE_COST  # any begin changes silence into sound
        order = np.array([p.index for p in placed])
        self.fits = _fits(chart.bars, order, _ONE_TEMPO)
        self.fits_loosely = _fits(chart.bars, order, _ANY_TEMPO)
        self.whole = silence_round(placed, onsets)
        self.edge = [_EDGE_COST if silent else _CUT_COST for silent in self.whole]
        opens = [i == 0 or b.part != chart.bars[i - 1].part for i, b in enumerate(chart.bars)]
        self.opens = np.array(opens)
        self.closes = np.append(self.opens[1:], True)

    def measure(self, order: Ints) -> None:
        """Take from an order how alike the bars of one place are in this take."""
        self.alike = Likeness.of(self.looks, self.ties, order)
        self.odd = _oddness(self.alike.apart, self.lows, self.odd_least)

    def far(self) -> Floats:
        """How far apart the bars sound, whatever the chart says."""
        return distances(self.looks, np.zeros((len(self.looks), len(self.looks)), dtype=bool))

    def settled(self, order: Ints) -> Ints:
        """The best order near one.

        What is alike is measured on an order, and flatters it. So two orders are compared by
        both measures: each must also look good to the other one.
        """
        best, rivals = order, [self.best_order(order)]  # with what any ear would say is alike
        part = order[0] > self.first or order[-1] < len(self.bars) - 1
        for _ in range(_TURNS):
            self.measure(best)
            rivals += self.promising(best)
            if part:
                rivals += self.placings(best, self.fits_loosely)
            gains = [self.gain(best, rival) for rival in rivals]
            if not gains or max(gains) < _GAIN_MIN:
                break
            best, rivals = rivals[int(np.argmax(gains))], []
            self.fits = _fits(self.bars, best, _ONE_TEMPO)
        self.measure(best)
        return best

    def gain(self, order: Ints, rival: Ints) -> float:
        """How much better a rival is than an order that was measured, by both their measures."""
        alike, odd = self.alike, self.odd
        gain = self.score(rival) - self.score(order)
        if gain > -_HOPELESS:
            self.measure(rival)
            gain = (gain + self.score(rival) - self.score(order)) / 2
            self.alike, self.odd = alike, odd
        return gain

    def promising(self, order: Ints) -> list[Ints]:
        """Orders that may be better than one that was measured."""
        scored = []
        for first, last, shift in self._moves(order):
            moved = order.copy()
            moved[first:last] += shift
            if self.allowed(moved):
                scored.append((self.score(moved), moved))
        scored.sort(key=lambda each: each[0], reverse=True)
        return [*(moved for _, moved in scored[:_RIVALS]), self.best_order(order)]

    def placings(self, order: Ints, fits: Bools) -> list[Ints]:
        """All bars moved by the same number, to wherever they fit."""
        room = range(-int(order.min()), len(self.bars) - int(order.max()))
        bars = np.arange(len(order))
        return [order + far for far in room if far and fits[bars, order + far].all()]

    def moved_whole(self, order: Ints, fits: Bools) -> list[tuple[float, Ints]]:
        """The placings of an order, each with its score, the best first.

        What is alike is measured anew for each.
        """
        scored = []
        for placing in self.placings(order, fits):
            self.measure(placing)
            scored.append((self.score(placing), placing))
        self.measure(order)
        return sorted(scored, key=lambda each: each[0], reverse=True)

    def elsewhere(self, order: Ints) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Where else the first bar may be, in a take that begins or ends in the middle.

        First what fits about as well, then what comes next. Also where the map goes at another
        tempo: a band that begins in the middle may have taken any.
        """
        if order[0] <= self.first and order[-1] == len(self.bars) - 1:
            return (), ()
        kept, self.edge = self.edge, [0.0, 0.0]  # where a song begins and ends says nothing here
        least = self.score(order) - _EQUAL_PLACES
        moved = self.moved_whole(order, self.fits_loosely)
        equal = [int(each[0]) for score, each in moved if score > least]
        others = [int(each[0]) for _, each in moved]
        self.edge = kept
        return tuple(equal[:_NAMED]), tuple(others[:_NAMED])

    def best_order(self, order: Ints) -> Ints:
        """The order after as many moves as make it better."""
        score = self.score(order)
        for _ in range(_ROUNDS):
            better, better_score = self.best_move(order)
            if better is None or better_score < score + 0.5:
                break
            order, score = better, better_score
        return order

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
        late, early = max(0, order[0] - self.first), len(self.bars) - 1 - order[-1]
        price += min(3, late) * self.edge[0] + min(3, early) * self.edge[1]
        price += _ALMOST_COST * (late == 1 and self.whole[0])
        price += _ALMOST_COST * (early == 1 and self.whole[1])
        opening = float(self.odd[self.opening[order]].sum())
        return float(alike + _LINE_WEIGHT * lines + opening - price)

    def _alike(self, places: Ints, order: Ints) -> Floats:
        """Likeness of each bar, put at its place in `places`, to the others as in `order`."""
        ties, alike = self.ties, self.alike
        out, lent = np.zeros(len(order)), np.zeros(len(order))
        inner = ~np.eye(len(order), dtype=bool)
        section = (ties.section[places][:, None] == ties.section[order][None]) & inner
        place = (ties.place[places][:, None] == ties.place[order][None]) & inner
        cycle = (ties.cycle[places][:, None] == ties.cycle[order][None]) & inner & ~place
        for fellows, speaks, weight in (
            (place, alike.place, _PLACE_WEIGHT),
            (cycle, alike.cycle, _CYCLE_WEIGHT),
        ):
            count = fellows.sum(axis=1)
            mean = (speaks * fellows).sum(axis=1) / np.maximum(count, 1)
            out += np.where(count, (weight + lent) * mean, 0.0)
            # A bar that comes only once is judged by its next of kin instead.
            lent = np.where(count, 0.0, lent + weight)
        count = section.sum(axis=1)
        kin = (alike.section * section).sum(axis=1) / np.maximum(count, 1)
        return np.asarray(out + _SECTION_WEIGHT * kin)

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
        cuts = range(1, count, _GRID)
        whole = [(c, count, s) for c in cuts for s in (-1, 1)]
        whole += [(0, c, s) for c in cuts for s in (-1, 1)]
        carried: list[tuple[int, int, int]] = []  # a jump moved elsewhere
        for at in (int(n) + 1 for n in np.flatnonzero(np.diff(order) != 1)):
            step = int(np.sign(order[at] - order[at - 1] - 1))
            for far in (*range(1, _REACH), *range(_REACH, count, _GRID)):
                carried += [(at - far, at, step)] * bool(far <= at)
                carried += [(at, at + far, -step)] * bool(at + far <= count)
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
        return list(dict.fromkeys([move[1:] for move in promised[:_SHORTLIST]] + whole + carried))

    def _gain(self, order: Ints, shift: int) -> Floats:
        """What each bar would gain alone by the shift, (observed,)."""
        moved = np.clip(order + shift, 0, len(self.bars) - 1)
        fits = self.fits[np.arange(len(order)), moved]

        def own(places: Ints) -> Floats:
            lines = self.opens[places] * (self.lines - _LINE_COST)
            odd = self.opening[places] * self.odd
            return np.asarray(self._alike(places, order) + _LINE_WEIGHT * lines + odd)

        return np.where(fits, own(moved) - own(order), -50.0)


def _oddness(alike: Floats, lows: Floats, least: float) -> Floats:
    """How much each bar is like a count-in among music, no less than `least`, (observed,).

    It is unlike all others, and sticks have nothing low in them.
    """
    told = _ODD_WEIGHT * (_below(alike.mean(axis=1)) - _ODD_FROM)
    told = told + _THIN_WEIGHT * (_below(lows) - _THIN_FROM)
    return np.asarray(np.clip(told, least, _ODD_MAX))


def _below(values: Floats) -> Floats:
    """How far each lies below the middle, in spreads that leave out the odd ones."""
    middle = float(np.median(values))
    return np.asarray((middle - values) / (1.48 * np.median(np.abs(values - middle)) + 1e-9))


def line_evidence(chart: Chart, placed: Sequence[Placed], onsets: Onsets) -> Floats:
    """Change of sound at each observed bar line against the other bar lines, (observed,)."""
    changes = sound_changes(chart, onsets)
    at = np.array([round(p.start_s / (2 * STEP_S)) for p in placed])
    near = np.array([changes[max(0, a - 2) : a + 3].max(initial=-1.0) for a in at])
    return np.asarray(np.clip((near - near.mean()) / (near.std() + 1e-9), -1.5, 3.0))


def _fits(bars: Sequence[ChartBar], order: Ints, apart: float) -> Bools:
    """Whether each observed bar can be each chart bar, by rhythm and length: (observed, chart).

    order: chart places that are right in rhythm and length; apart: how far two lengths may
    lie apart, of a logarithm. Nobody hears whether the last bar of all would have been held.
    """
    beats = np.array([len(bar.beats_s) for bar in bars])
    quarters = np.array([float(bar.quarters) for bar in bars])
    lengths = np.log([bar.seconds for bar in bars])
    holds = np.array([bar.hold_s for bar in bars])
    same = (beats[order, None] == beats) & (np.abs(quarters[order, None] - quarters) < 1e-6)
    held = holds[order, None] == holds
    held[-1] = True
    return np.asarray(same & held & (np.abs(lengths[order, None] - lengths) < apart))


def _slips(bars: Sequence[ChartBar], order: Ints, judge: _Judge) -> list[Slip]:
    """What the jumps of an order left out or played again, and how sure their places are."""
    slips, telling = [], Telling(judge.looks, judge.deep, judge.ties, order)
    for at in np.flatnonzero(np.diff(order) != 1) + 1:
        before, after = int(order[at - 1]), int(order[at])
        kind = "missing" if after > before else "extra"
        first, last = (before + 1, after - 1) if after > before else (after, before)
        if all(bars[i].opening for i in range(first, last + 1)):
            continue  # nobody counted in after the hold, or somebody counted twice
        low, high = _span(int(at), first, judge, telling)
        slips.append(Slip(kind, first, last, first - low, last + high))
    return slips


def _span(at: int, first: int, judge: _Judge, telling: Telling) -> tuple[int, int]:
    """How many bars earlier and later than its first bar a slip fits about as well."""
    order = telling.order
    step = int(order[at] - order[at - 1]) - 1
    best = judge.score(order)
    reach = [0, 0]
    for side, way in enumerate((-1, 1)):
        for far in range(1, _REACH):
            run = slice(at - far, at) if way < 0 else slice(at, at + far)
            if run.start < 1 or run.stop > len(order):
                break
            moved = order.copy()
            moved[run] -= way * step
            if not judge.allowed(moved):
                break
            other = max(0, first - far)
            own = judge.bars[other].part == judge.bars[first].part
            equal = _EQUAL_OPENING if judge.opens[other] and own and way < 0 else _EQUAL
            worse = best - judge.score(moved)
            if worse < equal and worse + telling.says(moved) < equal:
                reach[side] = far
    return reach[0], reach[1]
