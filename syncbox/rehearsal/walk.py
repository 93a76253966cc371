"""The best way of a chart's bars through a take: dynamic programming over time.

A state is a bar of the chart and a tempo ratio. Because the chart gives the length of
every bar, half or double tempo is no state at all. Bars may be left out or repeated at
bar lines, at a price; a hold lasts as long as it likes.

No bar is shorter than the shortest, so what begins within that time depends only on what
is settled already: the programme steps by that much at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import ChartBar
from syncbox.rehearsal.onsets import STEP_S, Floats

FRAME_S = 2 * STEP_S  # the follower's own step, 23 ms; beats are refined afterwards
_HALF = 15
RATIOS = np.exp(np.arange(-_HALF, _HALF + 1) * 0.0149)  # played tempo over the map's: 0.8 to 1.25
_CHANGE_COSTS = (0.0, 0.25, 0.9, 2.0)  # for a tempo that moves by 0, 1, 2, 3 ratios at a bar line
_STRAY_COST = 0.012  # a bar, for each ratio away from the map

START_COST, END_COST = 7.0, 7.0  # for beginning or ending elsewhere than the chart does
SKIP_COST, DOUBLE_COST = 8.0, 8.0
EXIT_COST, ENTRY_COST = 20.0, 12.0  # for a jump to anywhere
ENTRY_SECTION_COST, VAMP_COST = 4.0, -2.0
PASS_COST = 0.5  # for leaving out clicks that lead back in after a hold
HOLD_COST = 1.0
LOCK_S = 0.15  # bars of a take in lock begin this near the map's time: latency, and playing
CHANGE_WEIGHT = 1.5  # of a change of sound where a section begins

_NEVER = np.float32(-1e9)

Reals = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Placed:
    """A bar of the chart found in the take; seconds from the take's begin."""

    index: int  # in the chart
    start_s: float
    end_s: float  # before any hold
    ratio: float


@dataclass(frozen=True, slots=True)
class Course:
    """The bars in the order played, and what the way scored in all."""

    placed: tuple[Placed, ...]
    score: float


class Walk:
    """One run of the dynamic programme.

    scores: of each kind of bar from each frame at each ratio, (frames, kinds, ratios);
    kind_of: the kind of each bar; changes: of the sound at each frame, (frames,);
    begin_s: where each bar begins in a take that is locked (not a number: anywhere).
    """

    def __init__(
        self,
        bars: Sequence[ChartBar],
        scores: Reals,
        kind_of: NDArray[np.int64],
        changes: Floats,
        begin_s: Floats | None = None,
    ) -> None:
        self.bars, self.scores, self.kind_of, self.begin_s = bars, scores, kind_of, begin_s
        self.changes = changes.astype(np.float32)
        self.frames = len(scores)
        self.count, self.ratios = len(bars), len(RATIOS)
        seconds = np.array([bar.seconds for bar in bars])
        lengths = np.round(seconds[:, None] / RATIOS[None] / FRAME_S)
        self.lengths = np.maximum(1, lengths).astype(np.int64)
        self.holds = [i for i in range(self.count - 1) if bars[i].hold_s]
        # Of each hold at each frame: the best score, as if held from frame 0, and since when.
        self.held = np.full((self.frames + 1, len(self.holds)), -np.inf)
        self.held_from = np.zeros((self.frames + 1, len(self.holds), 2), dtype=np.int32)
        # Score of every bar at every ratio that began at each frame, counted from `pad`.
        self.pad = int(self.lengths.max())
        self.gained = np.empty((self.pad + self.frames, self.lengths.size), dtype=np.float32)
        self.gained[: self.pad] = _NEVER
        self._set_costs()

    def _set_costs(self) -> None:
        bars, n = self.bars, self.count
        first = next(i for i, bar in enumerate(bars) if not bar.opening)
        self.start = np.array([0.0 if i <= first else START_COST for i in range(n)], np.float32)
        self.end = np.full(n, END_COST, np.float32)
        self.end[-1] = 0.0
        opens = [i == 0 or bars[i].part != bars[i - 1].part for i in range(n)]
        closes = [i + 1 == n or bars[i].part != bars[i + 1].part for i in range(n)]
        self.exit = np.array(
            [VAMP_COST if b.vamp and c else EXIT_COST for b, c in zip(bars, closes, strict=True)],
            np.float32,
        )
        self.entry = np.array([ENTRY_SECTION_COST if o else ENTRY_COST for o in opens], np.float32)
        self.entry[[bar.opening for bar in bars]] = 100.0
        self.opens = np.array(opens)
        # Clicks that lead back in after a hold may be left out.
        self.passed = [i for i in range(1, n - 1) if bars[i].opening and i > first]
        stray = np.abs(np.arange(self.ratios) - _HALF) * _STRAY_COST
        self.stray = stray.astype(np.float32)

    def run(self, before: Reals, after: Reals, standing: Floats) -> Course:
        """The best way.

        before, after: the price of sounds left outside before and after each frame;
        standing: the price of standing still in a hold from frame 0 to each frame.
        """
        self.standing = standing
        step = int(self.lengths.min())
        best, best_at = 0.0, None
        for first in range(0, self.frames + 1, step):
            now = np.arange(first, min(first + step, self.frames + 1))
            out = self._arrived(now)
            final = out - (self.end[:, None] + after[now, None, None])
            place = int(final.argmax())
            if final.flat[place] > best:
                at, bar, ratio = (int(x) for x in np.unravel_index(place, final.shape))
                best, best_at = float(final.flat[place]), (first + at, bar, ratio)
            now = now[: self.frames - first]
            if len(now):
                into = self._enter(now, out[: len(now)], before[now])
                into += self.scores[now].take(self.kind_of, axis=1)
                into -= self.stray
                self.gained[self.pad + now] = into.reshape(len(now), -1)
        return Course(tuple(self._trace(best_at, before)) if best_at else (), best)

    def _arrived(self, now: NDArray[np.int64]) -> Reals:
        """Score of every way that ends at each of the frames, (frames, bars, ratios)."""
        block = self.lengths.size
        came = (now[:, None] + self.pad - self.lengths.reshape(-1)) * block + np.arange(block)
        return np.asarray(self.gained.reshape(-1).take(came).reshape(-1, *self.lengths.shape))

    def _enter(self, now: NDArray[np.int64], out: Reals, before: Reals) -> Reals:
        """Best score of every (bar, ratio) that begins at each of the frames, shape of `out`."""
        into = out - np.float32(DOUBLE_COST)
        np.maximum(into, -self.start[:, None] - before[:, None, None], out=into)
        for shift in range(-3, 4):  # from the bar before at a ratio `shift` higher
            source = slice(max(0, shift), self.ratios + min(0, shift))
            here = slice(max(0, -shift), self.ratios + min(0, -shift))
            _raise(into[:, 1:, here], out[:, :-1, source] - np.float32(_CHANGE_COSTS[abs(shift)]))
        _raise(into[:, 2:], out[:, :-2] - np.float32(SKIP_COST))
        leaving = (out - self.exit[:, None]).max(axis=1)
        _raise(into, leaving[:, None] - self.entry[:, None])
        for bar in self.passed:
            _raise(into[:, bar + 1], out[:, bar - 1] - np.float32(PASS_COST))
        for n, bar in enumerate(self.holds):
            self._hold(n, now, out[:, bar])
            value = self._after_hold(n, now)
            _raise(into[:, bar + 1], value)
            if bar + 1 in self.passed:
                _raise(into[:, bar + 2], value - np.float32(PASS_COST))
        into[:, self.opens] += CHANGE_WEIGHT * self.changes[now, None, None]
        if self.begin_s is not None:
            into[np.abs(self.begin_s - now[:, None] * FRAME_S) > LOCK_S] = _NEVER
        return into

    def _hold(self, n: int, now: NDArray[np.int64], out: Reals) -> None:
        """Note the best way into a hold at each of the frames; `out` of the held bar."""
        first = int(now[0])
        since = out.max(axis=1) + self.standing[now]
        places = np.stack([now, out.argmax(axis=1)], axis=1)
        if first:
            since = np.append(self.held[first - 1, n], since)
            places = np.vstack([self.held_from[first - 1, n], places])
        best = np.maximum.accumulate(since)
        newest = np.maximum.accumulate(np.where(since >= best, np.arange(len(since)), 0))
        self.held[now, n] = best[-len(now) :]
        self.held_from[now, n] = places[newest[-len(now) :]]

    def _after_hold(self, n: int, now: NDArray[np.int64]) -> Reals:
        """Time stands still after a held bar, and goes on at any tempo: (frames, ratios)."""
        score = self.held[now, n] - self.standing[now] - HOLD_COST
        return np.asarray(score[:, None] - 2 * self.stray, dtype=np.float32)

    def _trace(self, at: tuple[int, int, int], before: Reals) -> list[Placed]:
        """The bars on the best way, from the first."""
        end, bar, ratio = at
        way: list[Placed] = []
        while True:
            start = end - int(self.lengths[bar, ratio])
            way.append(Placed(bar, start * FRAME_S, end * FRAME_S, float(RATIOS[ratio])))
            came = self._came_from(start, bar, ratio, float(before[start]))
            if came is None:
                return way[::-1]
            end, bar, ratio = came

    def _came_from(
        self, start: int, bar: int, ratio: int, before: float
    ) -> tuple[int, int, int] | None:
        """Where the way into a bar came from: frame, bar, ratio; None: it begins here.

        The best of all ways is worked out again, which is less work than noting it for all.
        """
        out = self._arrived(np.array([start]))[0]
        ways = [(float(-self.start[bar]) - before, -1, start, 0, 0)]

        def way(from_bar: int, from_ratio: int, cost: float) -> None:
            if from_bar >= 0 and 0 <= from_ratio < self.ratios:
                score = float(out[from_bar, from_ratio]) - cost
                ways.append((score, 0, start, from_bar, from_ratio))

        for shift in range(-3, 4):
            way(bar - 1, ratio + shift, _CHANGE_COSTS[abs(shift)])
        way(bar - 2, ratio, PASS_COST if bar - 1 in self.passed else SKIP_COST)
        way(bar, ratio, DOUBLE_COST)
        leaving = int((out[:, ratio] - self.exit).argmax())
        way(leaving, ratio, float(self.exit[leaving] + self.entry[bar]))
        for n, held in enumerate(self.holds):
            if bar == held + 1 or (bar == held + 2 and held + 1 in self.passed):
                score = self._after_hold(n, np.array([start]))[0, ratio]
                score -= PASS_COST * (bar == held + 2)
                since, held_ratio = (int(x) for x in self.held_from[start, n])
                ways.append((float(score), 0, since, held, held_ratio))
        _, stop, end, from_bar, from_ratio = max(ways)
        return None if stop else (end, from_bar, from_ratio)


def _raise(into: Reals, value: Reals) -> None:
    """Keep the better of two ways."""
    np.maximum(into, value, out=into)
