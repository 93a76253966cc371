"""Where the song in a take begins and ends: bars in which nobody plays, and silence round it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import Chart, ChartBar
from syncbox.rehearsal.curves import silent_steps
from syncbox.rehearsal.onsets import STEP_S, Onsets
from syncbox.rehearsal.walk import Placed

_EMPTY = 0.5  # share of a bar that is silent
_OUTSIDE_S = 2.0  # before and after the bars that must be silent


def with_edges(chart: Chart, placed: Sequence[Placed], onsets: Onsets) -> tuple[Placed, ...]:
    """The course without bars at its ends in which nobody plays, and with those that are played."""
    bars = chart.bars
    own = np.array([_support(bars[p.index], p, onsets) for p in placed])
    middle = float(np.median(own))
    enough = min(middle - max(0.8, 3.0 * float(np.median(np.abs(own - middle)))), 0.6 * middle)
    empty = (own < enough) & _empty(placed, onsets)  # after its end a song rings, before it not
    first, last = 0, len(placed)
    while last - first > 3 and own[last - 1] < enough and not bars[placed[last - 1].index].hold_s:
        last -= 1
    while last - first > 3 and empty[first]:
        first += 1
    out = list(placed[first:last])
    for _ in range(2):
        lead, ratio = out[0], float(np.median([p.ratio for p in out[:4]]))
        index = max(0, lead.index - 1)
        length = bars[index].seconds / ratio
        more = Placed(index, lead.start_s - length, lead.start_s, ratio)
        if more.start_s < -0.05 or _support(bars[index], more, onsets) < enough:
            break
        out.insert(0, more)
    return tuple(out)


def _empty(placed: Sequence[Placed], onsets: Onsets) -> NDArray[np.bool_]:
    """Whether next to nothing sounds in each bar: a song may well begin with one soft chord."""
    silent = silent_steps(onsets)
    if not silent.any():  # no silence to tell it by
        return np.ones(len(placed), dtype=bool)
    spans = [slice(max(0, round(p.start_s / STEP_S)), round(p.end_s / STEP_S)) for p in placed]
    return np.array([not silent[s].size or silent[s].mean() > _EMPTY for s in spans])


def _support(bar: ChartBar, p: Placed, onsets: Onsets) -> float:
    """How strongly sounds begin on a bar's beats after its first third of a beat."""
    beat = onsets.strength.max(axis=0)
    pace = (p.end_s - p.start_s) / bar.seconds
    at = [round((p.start_s + s * pace) / STEP_S) for s in bar.beats_s if s > 0.05 * bar.seconds]
    found = [float(beat[max(0, a - 4) : a + 5].max(initial=-1.0)) for a in at if a >= 0]
    return float(np.mean(found)) if found else 0.0


def silence_round(placed: Sequence[Placed], onsets: Onsets) -> tuple[bool, bool]:
    """Whether nothing is played just before the first bar, and after the last one has rung."""
    begin, end = placed[0].start_s, placed[-1].end_s
    strong = onsets.times_s[onsets.weights > 0.3]
    usual = ((strong > begin) & (strong < end)).sum() / (end - begin)
    before, after = min(_OUTSIDE_S, begin - 0.15), min(_OUTSIDE_S, onsets.duration_s - end - 0.5)
    sounds = (
        ((strong > begin - 0.15 - before) & (strong < begin - 0.15)).sum(),
        ((strong > end + 0.5) & (strong < end + 0.5 + after)).sum(),
    )
    return tuple(  # type: ignore[return-value]
        room > 0.2 and count < 0.3 * usual * room
        for room, count in zip((before, after), sounds, strict=True)
    )
