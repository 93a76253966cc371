"""A band that plays to a click, put back on it where the way through its take has slid off.

Where the off-beats are as loud as the beats, a way that may bend the tempo a little at
every bar line slides from the beats to half or a quarter of a beat beside them, and back.
A band to a click cannot do that. So the bars are also laid along a straight line; where
the way lies on the line in part, and in part beside it by quarters of a beat with nothing
in between, the line is right. A band that bends its tempo strays by any amount.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import ChartBar
from syncbox.rehearsal.onsets import Floats
from syncbox.rehearsal.walk import FRAME_S, RATIOS, Course, Placed, Reals

# Shares and times: measured on published recordings made to a click, and on imagined bands
# that drift by 0 to 3 %.
_SHARE_MIN = 0.75  # of the way's score that the line must have
_ON_MIN = 0.4  # share of bars on the line
_STEPS_MIN = 0.7  # share of the others that lie beside it by quarters of a beat
_NEAR_S = 0.04  # this near is on the line
_BARS_MIN = 12
_SLID_MIN = 3  # bars beside the line; fewer are left as they are
_TEMPO_REACH, _TEMPO_STEPS = 0.012, 97  # round the way's middle tempo; 50 ms in 200 s a step
_REACH_S = 2.5  # round the way's middle bar


@dataclass(frozen=True, slots=True)
class _Line:
    """Bars at one tempo: when each begins, seconds, and what they score in all."""

    starts_s: Floats
    ratio: float
    score: float


def straightened(
    bars: Sequence[ChartBar], course: Course, scores: Reals, kind_of: NDArray[np.int64]
) -> Course:
    """The course with its runs on a straight line where they have slid off it.

    scores: of each kind of bar from each frame at each ratio, (frames, kinds, ratios);
    kind_of: the kind of each bar.
    """
    placed, score = list(course.placed), course.score
    for run in _runs(bars, placed):
        own = placed[run]
        if len(own) < _BARS_MIN:
            continue
        middle = int(np.abs(RATIOS - np.median([p.ratio for p in own])).argmin())
        kinds = kind_of[[p.index for p in own]]
        around = _loudest_near(scores[:, :, middle])
        lengths = np.array([bars[p.index].seconds for p in own])
        line = _best_line(own, lengths, float(RATIOS[middle]), around, kinds)
        at = np.round(np.array([p.start_s for p in own]) / FRAME_S).astype(int)
        free = float(around[np.clip(at, 0, len(around) - 1), kinds].sum())
        beats = lengths / [max(1, len(bars[p.index].beats_s)) for p in own]
        if line.score >= _SHARE_MIN * free and _has_slid(own, line, beats):
            ends = line.starts_s + lengths / line.ratio
            placed[run] = [
                replace(p, start_s=float(start), end_s=float(end), ratio=line.ratio)
                for p, start, end in zip(own, line.starts_s, ends, strict=True)
            ]
            score += line.score - free
    return Course(tuple(placed), score)


def _runs(bars: Sequence[ChartBar], placed: Sequence[Placed]) -> Iterator[slice]:
    """Bars between holds, after which a band begins again where it likes."""
    held = [n + 1 for n, p in enumerate(placed[:-1]) if bars[p.index].hold_s]
    yield from (slice(first, end) for first, end in pairwise([0, *held, len(placed)]))


def _loudest_near(scores: Reals) -> Reals:
    """The best of each frame and its two neighbours, (frames, kinds)."""
    out = scores.copy()
    np.maximum(out[1:], scores[:-1], out=out[1:])
    np.maximum(out[:-1], scores[1:], out=out[:-1])
    return out


def _best_line(
    placed: Sequence[Placed], lengths: Floats, ratio: float, scores: Reals, kinds: NDArray[np.int64]
) -> _Line:
    """The straight line on which the bars score most; scores: (frames, kinds)."""
    middle = len(placed) // 2
    from_middle = np.concatenate([[0.0], np.cumsum(lengths)[:-1]])
    from_middle = from_middle - from_middle[middle]
    reach = round(_REACH_S / FRAME_S)
    first = round(placed[middle].start_s / FRAME_S) + np.arange(-reach, reach + 1)
    best, at, tempo = -np.inf, 0, ratio
    for each in ratio * (1 + np.linspace(-_TEMPO_REACH, _TEMPO_REACH, _TEMPO_STEPS)):
        frames = first[:, None] + np.round(from_middle / each / FRAME_S).astype(int)
        inside = (frames >= 0) & (frames < len(scores))
        total = (scores[np.clip(frames, 0, len(scores) - 1), kinds] * inside).sum(axis=1)
        if total.max() > best:
            best, at, tempo = float(total.max()), int(first[total.argmax()]), float(each)
    return _Line(at * FRAME_S + from_middle / tempo, tempo, best)


def _has_slid(placed: Sequence[Placed], line: _Line, beats_s: Floats) -> bool:
    """Whether the way lies on the line in part, and else beside it by quarters of a beat.

    beats_s: the length of each bar's beats.
    """
    stray = np.array([p.start_s for p in placed]) - line.starts_s
    on = np.abs(stray) < _NEAR_S
    if on.mean() < _ON_MIN or (~on).sum() < _SLID_MIN:
        return False
    quarter = beats_s / line.ratio / 4
    beside = np.abs(stray - quarter * np.round(stray / quarter)) < _NEAR_S
    return bool(beside[~on].mean() >= _STEPS_MIN)
