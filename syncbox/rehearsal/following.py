"""Following the chart through a take: which bar is played when.

The score of a bar is how strongly sounds begin where it expects beats; `walk` finds
the best way through all bars.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import Chart, ChartBar
from syncbox.rehearsal.curves import curves_of, sound_changes
from syncbox.rehearsal.onsets import Floats, Onsets
from syncbox.rehearsal.phases import on_the_beat
from syncbox.rehearsal.straight import straightened
from syncbox.rehearsal.walk import FRAME_S, RATIOS, Course, Walk

OUTSIDE_S, OUTSIDE_WEIGHT, OUTSIDE_MAX = 3.0, 0.5, 8.0
STANDING_PER_S, STANDING_WEIGHT = 0.15, 0.15
LINE_WEIGHT, DEPTH_WEIGHT = 0.4, 2.0  # of what begins on the first beat, and how low it is
CHANCE = 0.5  # strength that a way finds anywhere by looking for it


def follow(chart: Chart, onsets: Onsets, locked_at_s: float | None = None) -> Course:
    """The best way of the chart through a take; empty if the take is too short for a bar.

    locked_at_s: the take's time at bar 1, where it was recorded in lock with the map.
    """
    curves = curves_of(onsets)
    if curves.shape[1] < 8:
        return Course((), 0.0)
    scores = _bar_scores(chart.bars, curves)
    locked = None if locked_at_s is None else _map_starts(chart) + locked_at_s
    walk = Walk(chart.bars, *scores, sound_changes(chart, onsets), locked)
    course = walk.run(*_left_outside(curves[0]), _standing(curves[0]))
    course = straightened(chart.bars, course, *scores)
    return course if locked_at_s is not None else on_the_beat(chart.bars, course, onsets, curves[2])


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
