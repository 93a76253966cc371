"""Following the chart through a take: which bar is played when.

The score of a bar is how strongly sounds begin where it expects beats; `walk` finds
the best way through all bars.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import Chart, ChartBar
from syncbox.rehearsal.onsets import BRIGHT, HIGH, LOW, STEP_S, Floats, Onsets, standing_out
from syncbox.rehearsal.walk import FRAME_S, RATIOS, Course, Walk

OUTSIDE_S, OUTSIDE_WEIGHT, OUTSIDE_MAX = 3.0, 0.5, 8.0
STANDING_PER_S, STANDING_WEIGHT = 0.15, 0.15
SILENCE_PRICE, SILENCE_DB = 2.0, 6.0  # of a beat where nothing sounds, below the music's level
LINE_WEIGHT, DEPTH_WEIGHT = 0.4, 2.0  # of what begins on the first beat, and how low it is
DEEP = 2  # rows of the flavour, 40 to 160 Hz
AFTER = 7  # steps, 80 ms
CHANCE = 0.5  # strength that a way finds anywhere by looking for it


def follow(chart: Chart, onsets: Onsets, locked_at_s: float | None = None) -> Course:
    """The best way of the chart through a take; empty if the take is too short for a bar.

    locked_at_s: the take's time at bar 1, where it was recorded in lock with the map.
    """
    curves = _curves(onsets)
    if curves.shape[1] < 8:
        return Course((), 0.0)
    scores = _bar_scores(chart.bars, curves)
    locked = None if locked_at_s is None else _map_starts(chart) + locked_at_s
    walk = Walk(chart.bars, *scores, sound_changes(chart, onsets), locked)
    return walk.run(*_left_outside(curves[0]), _standing(curves[0]))


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


def _standing(beat: Floats) -> Floats:
    """Price of standing still from the take's begin to each frame: a band that plays does not."""
    return np.asarray(np.cumsum(STANDING_PER_S * FRAME_S + STANDING_WEIGHT * np.maximum(beat, 0)))


def _curves(onsets: Onsets) -> Floats:
    """Strength for beats (0) and bar lines (1), how much is low (2): (3, frames), FRAME_S apart."""
    from scipy.ndimage import gaussian_filter1d

    beat = onsets.strength.mean(axis=0)
    line = 0.6 * onsets.strength[LOW] + 0.4 * onsets.strength[HIGH]
    smooth = gaussian_filter1d(np.array([beat, line]), 1.5, axis=1)
    smooth = np.vstack([smooth, _depth(onsets)])
    count = smooth.shape[1] // 2
    pooled = smooth[:, : 2 * count].reshape(3, count, 2).max(axis=2)
    mean = pooled.mean(axis=1, keepdims=True)
    curves = (pooled - mean) / (pooled.std(axis=1, keepdims=True) + 1e-6)
    curves[0] -= SILENCE_PRICE * _silent(onsets)[: 2 * count : 2]
    return np.asarray(curves)


def _depth(onsets: Onsets) -> Floats:
    """How loud the lowest sound is just after each step, against its surroundings, (steps,).

    The first beat of a bar is the heaviest, also where as much begins on the others.
    """
    from scipy.ndimage import maximum_filter1d

    low = onsets.flavour[LOW : LOW + 1] if onsets.exact else onsets.flavour[:DEEP]
    after = maximum_filter1d(low.mean(axis=0), AFTER, origin=-(AFTER // 2))
    return standing_out(after)


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
    """Strength where the bar expects beats, if it began at each frame.

    Beats count most, units between them less, all bars alike for their length: a bar of
    few long beats must not lose against one of many short ones.
    """
    frames = curves.shape[1]
    total = np.zeros(frames)
    beat_weight, unit_weight = _mark_weights(bar)
    marks = [(at, beat_weight, 0) for at in bar.beats_s]
    marks += [(at, unit_weight, 0) for at in bar.units_s]
    if bar.beat_numbers[:1] == (1,):
        marks += [(bar.beats_s[0], LINE_WEIGHT, 1), (bar.beats_s[0], DEPTH_WEIGHT, 2)]
    for at, weight, row in marks:
        offset = round(at / ratio / FRAME_S)
        total[: max(0, frames - offset)] += weight * (curves[row, offset:] - CHANCE)
        total[max(0, frames - offset) :] -= weight * (0.5 + CHANCE)
    return total


def _mark_weights(bar: ChartBar) -> tuple[float, float]:
    """Weights of a beat and of a unit between beats: 1 and 0.2 where beats are quarters."""
    beats, units = len(bar.beats_s), len(bar.units_s)
    short = bar.meter.denominator > 4 or beats == bar.meter.numerator
    whole = bar.quarters + (0.2 * units if short else 0.0)
    unit = float(np.clip((whole - beats) / max(1, units), 0.2, 0.7))
    return (whole - unit * units) / max(1, beats), unit
