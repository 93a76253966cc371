"""A way through a take put on the beat, and its bar lines on the right one, by where chords change.

A band may play louder beside the beat than on it; then the way that collects most lies half a
beat off all through. Chords change on the beat all the same, most of all on the first, and
the bass comes with them. So the whole way is also held half a beat and whole beats to either
side, and moved where that is clearly better. Drums alone have no chords; what tells their bar
lines is that the bass drum is heaviest on the first beat.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import ChartBar
from syncbox.rehearsal.curves import chord_changes, in_frames, low_of, over_spread, tonal
from syncbox.rehearsal.onsets import Floats, Onsets
from syncbox.rehearsal.walk import FRAME_S, Course, Placed

# Thresholds, in spreads of the curves: on 48 published pieces, no right way was moved off its
# beat, and one of 31 off its bar line (in five); on imagined bands none.
_HALF_MIN, _LINE_MIN = 0.1, 0.35
_LOW_LINE_MIN = 0.04  # drums alone: 45 right ways lay at least 0.01 higher than half a bar beside
_LOW_WEIGHT = 0.5  # of what is low, against chords
_BARS_MIN = 12
_USUALLY_CLEAR = 0.5


def on_the_beat(bars: Sequence[ChartBar], course: Course, onsets: Onsets, low: Floats) -> Course:
    """The course, moved as a whole by half a beat or by beats if its beats or lines lie beside.

    low: how much is low at each frame, over its spread, (frames,).
    """
    if len(course.placed) < _BARS_MIN:
        return course
    firsts = _marks(bars, course.placed, first=True)
    count = round(float(np.median([len(bars[p.index].beats_s) for p in course.placed])))
    shift = 0.0
    if tonal(onsets):
        beat_s = float(np.median(np.concatenate([_gaps(bars[p.index], p) for p in course.placed])))
        on_beats = _changes(onsets, 0.5 * beat_s, low)
        on_lines = _changes(onsets, beat_s, low)
        beats = _marks(bars, course.placed)
        halves = [_mean(on_beats, beats, share) for share in (-0.5, 0.5)]
        if max(halves) - _mean(on_beats, beats, 0.0) > _HALF_MIN:
            shift = max((-0.5, 0.5), key=lambda share: _mean(on_lines, firsts, share))
        shift = _better_line(on_lines, firsts, shift, count, _LINE_MIN)
    else:
        shift = _better_line(low, firsts, shift, count, _LOW_LINE_MIN)
    return course if shift == 0 else replace(course, placed=tuple(_moved(bars, course, shift)))


def _better_line(
    curve: Floats, firsts: NDArray[np.float64], shift: float, beats: int, least: float
) -> float:
    """The shift by beats that puts first beats where the curve is higher, by `least` or more."""
    ways = [shift + n for n in range(-(beats // 2), beats // 2 + 1)]
    best = max(ways, key=lambda share: _mean(curve, firsts, share))
    return best if _mean(curve, firsts, best) - _mean(curve, firsts, shift) > least else shift


def clear_of_half_beats(at_s: Floats, onsets: Onsets) -> float:
    """How much more chords and bass change on beats at these times than half a beat beside, -1..1.

    As is usual where a reading is right, if there are no chords to tell it by.
    """
    if len(at_s) < _BARS_MIN or not tonal(onsets):
        return _USUALLY_CLEAR
    gaps = np.diff(at_s, append=2 * at_s[-1] - at_s[-2])
    curve = _changes(onsets, 0.5 * float(np.median(gaps)), low_of(onsets))
    on, before, after = (_mean(curve, np.array([at_s, gaps]), share) for share in (0.0, -0.5, 0.5))
    return float(np.clip(on - max(before, after), -1.0, 1.0))


def _changes(onsets: Onsets, width_s: float, low: Floats) -> Floats:
    """How much chords change at each frame within a width to both sides, and the bass with them."""
    return over_spread(in_frames(chord_changes(onsets, width_s))) + _LOW_WEIGHT * low


def _gaps(bar: ChartBar, p: Placed) -> Floats:
    """Seconds of each beat of a bar as it was placed."""
    return np.diff([*bar.beats_s, bar.seconds]) * ((p.end_s - p.start_s) / bar.seconds)


def _marks(
    bars: Sequence[ChartBar], placed: Sequence[Placed], *, first: bool = False
) -> NDArray[np.float64]:
    """Time and length of the beats of all bars but count-ins, or of the first of each: (2, n)."""
    at, gaps = [], []
    for p in placed:
        bar = bars[p.index]
        if not bar.opening and len(bar.beats_s):
            pace = (p.end_s - p.start_s) / bar.seconds
            beats, lengths = p.start_s + np.array(bar.beats_s) * pace, _gaps(bar, p)
            at += [beats[:1] if first else beats]
            gaps += [np.array([lengths.mean()]) if first else lengths]
    return np.array([np.concatenate(at), np.concatenate(gaps)])


def _mean(curve: Floats, marks: NDArray[np.float64], share: float) -> float:
    """The curve's mean near the marks, moved by a share of a beat."""
    at = np.clip(np.round((marks[0] + share * marks[1]) / FRAME_S).astype(int), 1, len(curve) - 2)
    return float(np.max([curve[at + d] for d in (-1, 0, 1)], axis=0).mean())


def _moved(bars: Sequence[ChartBar], course: Course, shift: float) -> Iterator[Placed]:
    """Every bar later by so many of its own beats."""
    for p in course.placed:
        by = shift * float(_gaps(bars[p.index], p).mean())
        yield replace(p, start_s=p.start_s + by, end_s=p.end_s + by)
