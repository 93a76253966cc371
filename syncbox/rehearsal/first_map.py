"""A first map from taps: beats that a person tapped along become a song's tempi.

Nobody taps on the beat: people tap early by a steady amount, and scatter round it
(B. Repp, Sensorimotor synchronization: a review of the tapping literature,
Psychonomic Bulletin & Review 12(6), 2005). A steady amount does not change a slope,
so each section's tempo is the slope of a robust line through all of its taps, and no
single tap is trusted. A beat that was missed or tapped twice is seen by its gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.errors import ShowError
from syncbox.score.meter import Meter
from syncbox.units import TICKS_PER_QUARTER

TAPS_MIN = 8
SAME_TEMPO = 0.01  # sections closer than this share a tempo: 1.5 % is heard at best
# C. Drake and M.-C. Botte, Tempo sensitivity in auditory sequences, 1993: as low as 1.5 %.
_NEIGHBOURS = 9  # intervals whose median tells how long a beat is here
_STEPS_MAX = 8  # beats that may go by without a tap
_ROUNDS = 20  # of the robust fit; it settles in a few


@dataclass(frozen=True, slots=True)
class Part:
    """A section as the musician names it."""

    name: str
    bars: int
    meter: Meter


@dataclass(frozen=True, slots=True)
class PartTempo:
    """What the taps say of a section: its tempo, and how the taps scatter round it."""

    part: Part
    tempo_qpm: Fraction  # rounded to what a person would write
    scatter_ms: float  # median distance of its taps from the fitted beats
    taps: int


@dataclass(frozen=True, slots=True)
class FirstMap:
    """Tempi of all sections. `missed` and `doubled` count beats without a tap and taps too many."""

    parts: tuple[PartTempo, ...]
    missed: int
    doubled: int
    downbeat_s: float  # where the fitted first beat lies, on the taps' clock


def first_map(taps_s: Sequence[float], parts: Sequence[Part]) -> FirstMap:
    """Tempi of sections from taps in ascending seconds, the first on the first beat.

    One tap a felt beat. Raises ShowError for too few taps to tell.
    """
    taps = np.asarray(taps_s, dtype=np.float64)
    if len(taps) < TAPS_MIN:
        raise ShowError(
            f"{len(taps)} taps are too few to tell a tempo",
            hint=f"tap every beat from the first one on, at least {TAPS_MIN}",
        )
    quarters = _beat_quarters(parts)
    beats, kept, missed, doubled = _number(taps, quarters)
    times = taps[kept]
    edges = np.cumsum([0, *(part.bars * part.meter.beat_count for part in parts)])
    found: list[PartTempo] = []
    downbeat_s = float(times[0])
    for part, first, last in zip(parts, edges[:-1], edges[1:], strict=True):
        inside = (beats >= first) & (beats < last)
        if np.count_nonzero(inside) < 3:
            raise ShowError(
                f"there are no taps for {part.name}",
                hint=f"it needs {last - first} beats; the taps end after {int(beats[-1]) + 1}",
            )
        place = quarters[beats[inside]]
        slope, start = robust_line(place, times[inside])
        if first == 0:
            downbeat_s = start
        strays = np.abs(times[inside] - start - slope * place)
        tempo = _written(60 / slope)
        found.append(PartTempo(part, tempo, float(np.median(strays)) * 1000, int(inside.sum())))
    return FirstMap(_merged(found), missed, doubled, downbeat_s)


def _number(
    taps: NDArray[np.float64], quarters: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], int, int]:
    """The beat of each tap from 0, which taps count, and how many were missed or doubled.

    Beats of a grouped meter are unequal, so a gap is held against the quarters that the
    next beats are away, at the tempo of the last few taps.
    """
    begin = min(len(taps), _NEIGHBOURS)
    pace = list(np.diff(taps[:begin]) / np.diff(quarters[:begin]))  # seconds a quarter
    beats, kept = [0], [0]
    missed = doubled = 0
    for index in range(1, len(taps)):
        quarter_s = float(np.median(pace[-_NEIGHBOURS:]))
        gap = (taps[index] - taps[kept[-1]]) / quarter_s
        here = beats[-1]
        ahead = quarters[here : here + _STEPS_MAX + 1] - quarters[here]
        steps = int(np.argmin(np.abs(ahead - gap)))
        if steps == 0:
            doubled += 1
            continue
        if here + steps + 1 >= len(quarters):
            break  # past the last section
        missed += steps - 1
        beats.append(here + steps)
        kept.append(index)
        if steps == 1:
            pace.append(quarter_s * gap / float(ahead[1]))
    return np.array(beats), np.array(kept), missed, doubled


def _beat_quarters(parts: Sequence[Part]) -> NDArray[np.float64]:
    """Place of every felt beat in quarters from the first, and one bar beyond the last part."""
    places, at = [], 0.0
    for part in [*parts, parts[-1]]:
        starts = np.array(part.meter.beat_starts()) / TICKS_PER_QUARTER
        bar = part.meter.bar_ticks / TICKS_PER_QUARTER
        for _ in range(part.bars):
            places.append(starts + at)
            at += bar
    return np.concatenate(places)


def robust_line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """(slope, value at 0) of a line through points, shape (n,), n >= 2, strays weighed down.

    Iteratively reweighted least squares with Tukey's biweight and the median absolute
    deviation as scale (P. Huber, Robust Statistics, 1981; constants 4.685 and 1.4826).
    """
    weights = np.ones(len(x))
    slope, start = 0.0, 0.0
    for _ in range(_ROUNDS):
        total = weights.sum()
        middle_x, middle_y = weights @ x / total, weights @ y / total
        spread = weights @ (x - middle_x) ** 2
        slope = float(weights @ ((x - middle_x) * (y - middle_y)) / spread)
        start = float(middle_y - slope * middle_x)
        strays = y - start - slope * x
        scale = 1.4826 * float(np.median(np.abs(strays)))
        if scale < 1e-9:
            break
        share = np.clip(np.abs(strays) / (4.685 * scale), 0, 1)
        weights = (1 - share**2) ** 2
        if np.count_nonzero(weights) < 2:
            break
    return slope, start


def _written(tempo_qpm: float) -> Fraction:
    """As a person writes it: halves of a quarter a minute."""
    return Fraction(round(tempo_qpm * 2), 2)


def _merged(found: Sequence[PartTempo]) -> tuple[PartTempo, ...]:
    """Neighbours that nobody could tell apart get one tempo, weighed by their taps."""
    groups: list[list[PartTempo]] = []
    for each in found:
        near = groups and abs(float(each.tempo_qpm / groups[-1][0].tempo_qpm) - 1) < SAME_TEMPO
        if near:
            groups[-1].append(each)
        else:
            groups.append([each])
    merged = []
    for group in groups:
        taps = sum(each.taps for each in group)
        shared = _written(sum(float(each.tempo_qpm) * each.taps for each in group) / taps)
        merged += [PartTempo(e.part, shared, e.scatter_ms, e.taps) for e in group]
    return tuple(merged)


def song_text(title: str, found: FirstMap) -> str:
    """A song file with this map: sections with bars and meters, a tempo wherever it changes."""
    first = found.parts[0]
    lines = [
        "syncbox: 1",
        f"title: {_quoted(title)}",
        f"tempo: quarter = {_shown(first.tempo_qpm)}",
        f"meter: {first.part.meter}",
        "count-in: 1 bar",
        "",
        "sections:",
    ]
    before = first
    for each in found.parts:
        lines += [f"  - section: {_quoted(each.part.name)}", f"    bars: {each.part.bars}"]
        if each.part.meter != before.part.meter:
            lines.append(f"    meter: {each.part.meter}")
        if each.tempo_qpm != before.tempo_qpm:
            lines.append(f"    tempo: quarter = {_shown(each.tempo_qpm)}")
        before = each
    return "\n".join(lines) + "\n"


def _shown(tempo_qpm: Fraction) -> str:
    return f"{float(tempo_qpm):g}"


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
