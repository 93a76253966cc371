"""What an imagined band plays on its beats: grooves, chords and fills that belong to a section.

Each section has its own groove, which goes round in one bar or two, and its own chords,
which go round in two, four or eight. Every fourth bar ends in a short fill, every section
in a long one. So some bars are played exactly alike, as they are in most songs.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import ChartBar, Seconds

if TYPE_CHECKING:
    from syncbox.rehearsal.imagined import Manner, Played

_LIMB_S = 0.002
_SCALE = (0, 2, 4, 5, 7, 9)

_Groove = dict[str, NDArray[np.float64]]  # level at each half unit, by drum


@dataclass(frozen=True, slots=True)
class Hit:
    """One sound: when, what, how loud (0..1), and its pitch if it has one."""

    at_s: float
    what: str
    level: float = 0.8
    pitch: float = 0.0
    length_s: float = 0.0


def hits_of(
    played: Played, manner: Manner, rng: np.random.Generator
) -> tuple[list[Hit], list[Hashable]]:
    """All sounds in order, and for each chart bar what is played in it."""
    bars = played.chart.bars
    band, hits = _Band(manner, rng), []
    looks = [_look(band, bars, index) for index in range(len(bars))]
    for n, (index, beats) in enumerate(zip(played.order, played.beats_s, strict=True)):
        bar = bars[index]
        if not len(beats):
            continue
        if bar.opening:
            hits += [Hit(float(beat), "stick", 0.7) for beat in beats]
            continue
        first = n == 0 or bars[played.order[n - 1]].part != bar.part
        hits += _bar_hits(band, bar, _times(played, n), first=first, last=_ends(bars, index))
    final = played.ends_s[-1]
    hits += [Hit(final, "kick", 0.9), Hit(final, "crash", 0.8)]
    return sorted(hits, key=lambda hit: hit.at_s), looks


def _ends(bars: Sequence[ChartBar], index: int) -> bool:
    """Whether a section's pass ends with a bar."""
    return index + 1 == len(bars) or bars[index + 1].part != bars[index].part


class _Habit:
    """What a section's groove and chords are."""

    def __init__(self, bar: ChartBar, rng: np.random.Generator) -> None:
        first = _groove(bar, rng)
        self.grooves = [first, _varied(first, rng)] if rng.random() < 0.5 else [first]
        length = int(rng.choice([2, 4, 4, 4, 8]))
        self.roots = [int(root) for root in rng.permutation(_SCALE)[:length]]
        self.roots += [int(rng.choice(_SCALE)) for _ in range(length - len(self.roots))]

    def groove(self, bar: ChartBar) -> _Groove:
        return self.grooves[(bar.section_bar - 1) % len(self.grooves)]

    def root(self, bar: ChartBar) -> int:
        return self.roots[(bar.section_bar - 1) % len(self.roots)]


class _Band:
    """Habits that stay for a song."""

    def __init__(self, manner: Manner, rng: np.random.Generator) -> None:
        self.manner, self.rng = manner, rng
        self.key = int(rng.integers(12))
        self.pitched = manner.sounds in ("drums and bass", "mix")
        self.habits: dict[tuple[str, str], _Habit] = {}

    def habit(self, bar: ChartBar) -> _Habit:
        """The habit of a section in a meter."""
        key = (bar.section, str(bar.meter))
        if key not in self.habits:
            self.habits[key] = _Habit(bar, self.rng)
        return self.habits[key]


def _look(band: _Band, bars: Sequence[ChartBar], index: int) -> Hashable:
    """What is played in a bar; two bars of one look are played alike but for a first crash."""
    bar = bars[index]
    if bar.opening:
        return "count"
    habit = band.habit(bar)
    fill = "long" if _ends(bars, index) else "short" if bar.section_bar % 4 == 0 else ""
    turn = (bar.section_bar - 1) % len(habit.grooves)
    return (bar.section, str(bar.meter), turn, habit.root(bar) if band.pitched else 0, fill)


def _groove(bar: ChartBar, rng: np.random.Generator) -> _Groove:
    """A pattern for one bar on a grid of half units: back beats, kicks, hats."""
    slots = 2 * bar.meter.numerator
    starts = np.cumsum((0, *bar.meter.groups[:-1])) * 2
    kick, snare, hat = np.zeros(slots), np.zeros(slots), np.zeros(slots)
    snare[starts[1::2]] = 0.85
    kick[starts[::2]] = 0.8
    kick[0] = 0.95
    free = [s for s in range(slots) if s % 2 == 1 or bar.meter.denominator == 8]
    for slot in rng.choice(free, min(2, len(free)), replace=False):
        if snare[slot] == 0:
            kick[slot] = max(kick[slot], 0.6)
    step = 1 if bar.meter.denominator == 4 else 2
    hat[::step] = 0.35
    hat[starts] = 0.5
    return {"kick": kick, "snare": snare, "hat": hat}


def _varied(groove: _Groove, rng: np.random.Generator) -> _Groove:
    """The groove's second bar: one kick moved, one soft snare more."""
    kick, snare = groove["kick"].copy(), groove["snare"].copy()
    off = np.flatnonzero((kick > 0) & (kick < 0.8))
    if len(off):
        kick[off[0]] = 0.0
    free = np.flatnonzero((kick == 0) & (snare == 0))
    if len(free) >= 2:
        one, two = rng.choice(free, 2, replace=False)
        kick[one], snare[two] = 0.7, 0.35
    return {"kick": kick, "snare": snare, "hat": groove["hat"]}


def _times(played: Played, n: int) -> Seconds:
    """Time of every half unit of a bar: between beats evenly."""
    bar = played.chart.bars[played.order[n]]
    knots = [*played.beats_s[n].tolist(), played.ends_s[n]]
    if bar.hold_s:  # the last beat keeps its written length
        pace = (knots[-2] - knots[0]) / max(1e-9, bar.beats_s[-1] - bar.beats_s[0])
        written = bar.seconds - bar.beats_s[-1]
        knots[-1] = knots[-2] + written * (pace if len(bar.beats_s) > 1 else 1.0)
    at = [*bar.beats_s, bar.seconds]
    unit = bar.seconds / (bar.quarters * bar.meter.denominator / 4)
    slots = np.arange(round(2 * bar.seconds / unit)) * unit / 2
    return np.asarray(np.interp(slots, at, knots))


def _bar_hits(band: _Band, bar: ChartBar, times: Seconds, *, first: bool, last: bool) -> list[Hit]:
    habit, rng = band.habit(bar), band.rng
    hits = []
    brushes = band.manner.sounds == "brushes"
    for drum, levels in habit.groove(bar).items():
        what = {"kick": "kick", "snare": "brush tap", "hat": "brush"}[drum] if brushes else drum
        for slot, level in enumerate(levels[: len(times)]):
            filling = last and slot >= len(times) // 2 and drum == "snare"
            if level > 0 and not filling:
                at = float(times[slot] + rng.normal(0, _LIMB_S))
                hits.append(Hit(at, what, level * rng.uniform(0.85, 1.1)))
    if last or bar.section_bar % 4 == 0:  # a fill, short inside a section
        start = len(times) // 2 if last else len(times) * 3 // 4
        what = "brush tap" if brushes else "tom"
        for n, slot in enumerate(range(start, len(times))):
            at = float(times[slot] + rng.normal(0, _LIMB_S))
            hits.append(Hit(at, what, 0.7, pitch=180 - 14.0 * n))
    if first and not brushes:
        hits.append(Hit(float(times[0]), "crash", 0.8))
    if band.pitched:
        hits += _pitched(band, bar, times)
    return hits


def _pitched(band: _Band, bar: ChartBar, times: Seconds) -> list[Hit]:
    """Bass on the kicks; in a mix also a guitar on the units and a held chord."""
    rng, spread_s, habit = band.rng, band.manner.humanise_ms / 1000, band.habit(bar)
    hits = []
    low = 41.2 * 2 ** ((band.key + habit.root(bar)) % 12 / 12)
    kicks = habit.groove(bar)["kick"][: len(times)]
    played = [slot for slot, level in enumerate(kicks) if level > 0]
    for slot, after in zip(played, [*played[1:], len(times)], strict=True):
        ends = times[after] if after < len(times) else times[-1] + 0.1
        at = float(times[slot] + rng.normal(0.004, spread_s / 3))
        hits.append(Hit(at, "bass", 0.7, low, 0.9 * float(ends - times[slot])))
    if band.manner.sounds == "mix":
        length = float(times[-1] - times[0])
        hits.append(Hit(float(times[0] + rng.normal(0.01, 0.01)), "pad", 0.5, 4 * low, length))
        for slot in range(0, len(times), 2):
            level = 0.5 if slot % 4 == 0 else 0.35
            at = float(times[slot] + rng.normal(0.003, spread_s / 2))
            hits.append(Hit(at, "guitar", level * rng.uniform(0.7, 1.1), 4 * low, 0.3))
    return hits
