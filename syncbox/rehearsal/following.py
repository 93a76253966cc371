"""Following the chart through a take: which bar is played when.

Dynamic programming over time. A state is a bar of the chart and a tempo ratio;
its score is how strongly sounds begin where the bar expects beats. Because the
chart gives the length of every bar, half or double tempo is no state at all. Bars
may be left out or repeated at bar lines, at a price; a hold lasts as long as it likes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import Chart, ChartBar
from syncbox.rehearsal.onsets import BRIGHT, HIGH, LOW, STEP_S, Floats, Onsets

FRAME_S = 2 * STEP_S  # the follower's own step, 23 ms; beats are refined afterwards
_HALF = 15
RATIOS = np.exp(np.arange(-_HALF, _HALF + 1) * 0.0149)  # played tempo over the map's: 0.8 to 1.25
_CHANGE_COSTS = (0.0, 0.25, 0.9, 2.0)  # for a tempo that moves by 0, 1, 2, 3 ratios at a bar line
_STRAY_COST = 0.012  # a bar, for each ratio away from the map

START_COST, END_COST = 7.0, 7.0  # for beginning or ending elsewhere than the chart does
SKIP_COST, DOUBLE_COST = 8.0, 8.0
EXIT_COST, ENTRY_COST = 14.0, 12.0  # for a jump to anywhere
ENTRY_SECTION_COST, VAMP_COST = 1.0, 1.0
HOLD_COST, HOLD_COST_PER_S = 1.0, 0.15

OUTSIDE_S, OUTSIDE_WEIGHT, OUTSIDE_MAX = 3.0, 0.5, 8.0
SILENCE_PRICE, SILENCE_DB = 2.0, 6.0  # of a beat where nothing sounds, below the music's level
LOCK_S = 0.15  # bars of a take in lock begin this near the map's time: latency, and playing
CHANGE_WEIGHT = 1.5  # of a change of sound where a section begins
CHANCE = 0.5  # strength that a way finds anywhere by looking for it

_START, _FIRST_STEP, _LAST_STEP, _JUMP, _SKIP, _DOUBLE, _HOLD, _PASS = 0, 1, 7, 8, 9, 10, 11, 12
_NEVER = np.float32(-1e9)


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


def follow(chart: Chart, onsets: Onsets, locked_at_s: float | None = None) -> Course:
    """The best way of the chart through a take; empty if the take is too short for a bar.

    locked_at_s: the take's time at bar 1, where it was recorded in lock with the map.
    """
    curves = _curves(onsets)
    if curves.shape[1] < 8:
        return Course((), 0.0)
    walk = _Walk(chart.bars, curves, sound_changes(chart, onsets))
    if locked_at_s is not None:
        walk.begin_s = _map_starts(chart) + locked_at_s
    return walk.run(*_left_outside(curves[0]))


def _map_starts(chart: Chart) -> Floats:
    """Seconds from bar 1 at which the map begins each bar, (bars,).

    Not a number, and so no constraint, once a vamp or a hold leaves it to the band.
    """
    lengths = [bar.seconds for bar in chart.bars]
    starts = np.concatenate([[0.0], np.cumsum(lengths)[:-1]])
    free = np.cumsum([bar.vamp or bar.hold_s > 0 for bar in chart.bars]) > 0
    starts[1:][free[:-1]] = np.nan
    return np.asarray(starts - starts[chart.first])


def _left_outside(beat: Floats) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Price of the sounds just before a begin and just after an end at each frame, (frames + 1,).

    A band does not play on for three seconds round a song; what it plays is the song.
    """
    loud = np.concatenate([[0.0], np.cumsum(np.maximum(beat - 1.0, 0))])
    width = round(OUTSIDE_S / FRAME_S)
    at, gap = np.arange(len(loud)), 3
    before = loud[np.maximum(at - gap, 0)] - loud[np.maximum(at - width, 0)]
    after = loud[np.minimum(at + width, len(beat))] - loud[np.minimum(at + gap, len(beat))]
    price = [np.minimum(OUTSIDE_MAX, OUTSIDE_WEIGHT * each) for each in (before, after)]
    return price[0].astype(np.float32), price[1].astype(np.float32)


def _curves(onsets: Onsets) -> Floats:
    """Strength for beats (row 0) and for bar lines (row 1), shape (2, frames), FRAME_S apart."""
    from scipy.ndimage import gaussian_filter1d

    beat = onsets.strength.mean(axis=0)
    line = 0.6 * onsets.strength[LOW] + 0.4 * onsets.strength[HIGH]
    smooth = gaussian_filter1d(np.array([beat, line]), 1.5, axis=1)
    count = smooth.shape[1] // 2
    pooled = smooth[:, : 2 * count].reshape(2, count, 2).max(axis=2)
    mean = pooled.mean(axis=1, keepdims=True)
    curves = (pooled - mean) / (pooled.std(axis=1, keepdims=True) + 1e-6)
    curves[0] -= SILENCE_PRICE * _silent(onsets)[: 2 * count : 2]
    return np.asarray(curves)


def _silent(onsets: Onsets) -> NDArray[np.bool_]:
    """Where nothing sounds, as before a song: within 0.25 s near the take's floor, (steps,)."""
    from scipy.ndimage import maximum_filter1d, uniform_filter1d

    if onsets.level is None:
        return np.zeros(onsets.steps, dtype=bool)
    level = uniform_filter1d(onsets.level, 9)
    floor, music = np.quantile(level, 0.01), np.median(level)
    if music - floor < SILENCE_DB:
        return np.zeros(onsets.steps, dtype=bool)
    highest = maximum_filter1d(level, round(0.5 / STEP_S))
    return np.asarray(highest < floor + 0.25 * (music - floor))


def sound_changes(chart: Chart, onsets: Onsets) -> Floats:
    """How much the sound changes at each frame, as it does where a section begins, (frames,)."""
    bar_s = float(np.median([bar.seconds for bar in chart.bars]))
    flavour = onsets.flavour
    parts = [_contrast(flavour, round(n * bar_s / STEP_S)) for n in (1, 2, 4)]
    bright = flavour if onsets.exact else flavour[BRIGHT]
    crash = _contrast(bright, round(0.4 / STEP_S), rising=True)
    total = sum(_over_spread(part) for part in parts) + 2 * _over_spread(crash)
    count = onsets.steps // 2
    pooled = total[: 2 * count].reshape(count, 2).max(axis=1)
    return np.asarray(np.clip(_over_spread(pooled), -1.0, 4.0))


def _over_spread(curve: Floats) -> Floats:
    return np.asarray((curve - curve.mean()) / (curve.std() + 1e-9))


def _contrast(flavour: Floats, width: int, *, rising: bool = False) -> Floats:
    """Distance of the mean over `width` steps after each step from the mean before, (steps,)."""
    steps = flavour.shape[1]
    total = np.concatenate([np.zeros((len(flavour), 1)), np.cumsum(flavour, axis=1)], axis=1)
    at = np.arange(steps)
    end, begin = np.minimum(at + width, steps), np.maximum(at - width, 0)
    after = (total[:, end] - total[:, at]) / np.maximum(end - at, 1)
    before = (total[:, at] - total[:, begin]) / np.maximum(at - begin, 1)
    if rising:
        return np.asarray(np.maximum(after - before, 0).mean(axis=0))
    return np.asarray(np.sqrt(((after - before) ** 2).mean(axis=0)))


class _Walk:
    """One run of the dynamic programme."""

    def __init__(self, bars: Sequence[ChartBar], curves: Floats, changes: Floats) -> None:
        self.bars = bars
        self.changes = np.append(changes, 0.0).astype(np.float32)
        self.frames = curves.shape[1]
        self.count, self.ratios = len(bars), len(RATIOS)
        seconds = np.array([bar.seconds for bar in bars])
        lengths = np.round(seconds[:, None] / RATIOS[None] / FRAME_S)
        self.lengths = np.maximum(1, lengths).astype(np.int64)
        self.scores, self.type_of = _bar_scores(bars, curves)
        self.back = np.zeros((self.frames + 1, self.count, self.ratios), dtype=np.uint8)
        self.jump_from = np.zeros((self.frames + 1, self.ratios), dtype=np.int16)
        self.holds = [i for i in range(self.count - 1) if bars[i].hold_s]
        self.held_from = np.zeros((self.frames + 1, len(self.holds), 2), dtype=np.int32)
        self.begin_s: Floats | None = None  # where each bar begins in a take that is locked
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

    def run(self, before: NDArray[np.float32], after: NDArray[np.float32]) -> Course:
        """The best way, given the price of sounds left outside before and after each frame."""
        ring = int(self.lengths.max()) + 1
        arrived = np.full((ring, self.count, self.ratios), _NEVER, dtype=np.float32)
        flat = arrived.reshape(-1)
        block = self.count * self.ratios
        own = np.arange(block).reshape(self.count, self.ratios)
        held = np.full(len(self.holds), _NEVER, dtype=np.float32)
        held_at = np.zeros((len(self.holds), 2), dtype=np.int32)
        best, best_at = 0.0, None
        for now in range(self.frames + 1):
            out = arrived[now % ring]
            final = out - (self.end[:, None] + after[now])
            place = int(final.argmax())
            if final.flat[place] > best:
                best, best_at = float(final.flat[place]), (now, *divmod(place, self.ratios))
            if now == self.frames:
                break
            into = self._enter(now, out, float(before[now]), held, held_at)
            gained = into + self.scores[now].take(self.type_of, axis=0) - self.stray
            out[:] = _NEVER
            target = (now + self.lengths) % ring * block + own
            inside = now + self.lengths <= self.frames
            flat[target[inside]] = gained[inside]
        return Course(tuple(self._trace(best_at)) if best_at else (), best)

    def _enter(
        self,
        now: int,
        out: NDArray[np.float32],
        before: float,
        held: NDArray[np.float32],
        held_at: NDArray[np.int32],
    ) -> NDArray[np.float32]:
        """Best score of every (bar, ratio) that begins now, with the way back noted."""
        into = np.empty_like(out)
        into[:] = -self.start[:, None] - np.float32(before)
        back = self.back[now]
        if out.max() > _NEVER / 2:
            for shift in range(-3, 4):  # from the bar before at a ratio `shift` higher
                source = slice(max(0, shift), self.ratios + min(0, shift))
                here = slice(max(0, -shift), self.ratios + min(0, -shift))
                value = out[:-1, source] - _CHANGE_COSTS[abs(shift)]
                _take(into[1:, here], back[1:, here], value, _FIRST_STEP + 3 + shift)
            _take(into[2:], back[2:], out[:-2] - SKIP_COST, _SKIP)
            _take(into, back, out - DOUBLE_COST, _DOUBLE)
            leaving = out - self.exit[:, None]
            self.jump_from[now] = leaving.argmax(axis=0)
            _take(into, back, leaving.max(axis=0)[None] - self.entry[:, None], _JUMP)
            for bar in self.passed:
                _take(into[bar + 1], back[bar + 1], out[bar - 1] - 0.5, _PASS)
        self._after_holds(now, out, into, held, held_at)
        into[self.opens] += CHANGE_WEIGHT * self.changes[now]
        if self.begin_s is not None:
            into[np.abs(self.begin_s - now * FRAME_S) > LOCK_S] = _NEVER
        return into

    def _after_holds(
        self,
        now: int,
        out: NDArray[np.float32],
        into: NDArray[np.float32],
        held: NDArray[np.float32],
        held_at: NDArray[np.int32],
    ) -> None:
        """Time stands still after a held bar, and goes on at any tempo."""
        held -= np.float32(HOLD_COST_PER_S * FRAME_S)
        for n, bar in enumerate(self.holds):
            ratio = int(out[bar].argmax())
            if out[bar, ratio] > held[n]:
                held[n], held_at[n] = out[bar, ratio], (now, ratio)
            self.held_from[now, n] = held_at[n]
            value = held[n] - HOLD_COST - 2 * self.stray
            _take(into[bar + 1], self.back[now, bar + 1], value, _HOLD)
            if bar + 1 in self.passed:
                _take(into[bar + 2], self.back[now, bar + 2], value - np.float32(0.5), _HOLD)

    def _trace(self, at: tuple[int, int, int]) -> list[Placed]:
        """The bars on the best way, from the first."""
        end, bar, ratio = at
        way: list[Placed] = []
        while True:
            start = end - int(self.lengths[bar, ratio])
            way.append(Placed(bar, start * FRAME_S, end * FRAME_S, float(RATIOS[ratio])))
            code = int(self.back[start, bar, ratio])
            if code == _START:
                return way[::-1]
            end = start
            if _FIRST_STEP <= code <= _LAST_STEP:
                bar, ratio = bar - 1, ratio + code - _FIRST_STEP - 3
            elif code == _JUMP:
                bar = int(self.jump_from[start, ratio])
            elif code == _HOLD:
                # the hold is that of the bar before, or of the one before the clicks
                held = next(h for h in reversed(self.holds) if h < bar)
                end, ratio = (int(x) for x in self.held_from[start, self.holds.index(held)])
                bar = held
            else:
                bar -= {_SKIP: 2, _DOUBLE: 0, _PASS: 2}[code]


def _take(
    into: NDArray[np.float32], back: NDArray[np.uint8], value: NDArray[np.float32], code: int
) -> None:
    """Keep the better of two ways, and note which."""
    better = value > into
    np.copyto(into, value, where=better)
    back[better] = code


def _bar_scores(
    bars: Sequence[ChartBar], curves: Floats
) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Score of each kind of bar from each frame at each ratio (frames, kinds, ratios).

    Bars of one rhythm and length are one kind; the second array is the kind of each bar.
    """
    kinds: dict[tuple[object, ...], int] = {}
    of_bar = []
    for bar in bars:
        key = (round(bar.seconds, 4), tuple(round(beat, 4) for beat in bar.beats_s), bar.continued)
        of_bar.append(kinds.setdefault(key, len(kinds)))
    frames = curves.shape[1]
    scores = np.empty((frames, len(kinds), len(RATIOS)), dtype=np.float32)
    done = set()
    for bar, kind in zip(bars, of_bar, strict=True):
        if kind not in done:
            done.add(kind)
            for n, ratio in enumerate(RATIOS):
                scores[:, kind, n] = _one_score(bar, float(ratio), curves)
    return scores, np.array(of_bar)


def _one_score(bar: ChartBar, ratio: float, curves: Floats) -> Floats:
    """Strength where the bar expects beats, if it began at each frame: beats count 1, units 0.2."""
    frames = curves.shape[1]
    total = np.zeros(frames)
    marks = [(at, 1.0, 0) for at in bar.beats_s] + [(at, 0.2, 0) for at in bar.units_s]
    if bar.beat_numbers[:1] == (1,):
        marks.append((bar.beats_s[0], 0.4, 1))
    for at, weight, row in marks:
        offset = round(at / ratio / FRAME_S)
        total[: max(0, frames - offset)] += weight * (curves[row, offset:] - CHANCE)
        total[max(0, frames - offset) :] -= weight * (0.5 + CHANCE)
    return total
