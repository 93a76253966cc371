"""Imagined takes: a band that plays a chart as people do, with the truth beside it.

Everything comes from a seed. The drummer's own beat is the truth of a beat; limbs
and the other players scatter round it. `imagined_sound` makes it audible.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import Chart, ChartBar, Seconds, chart_of
from syncbox.score.meter import Meter
from syncbox.score.song import (
    At,
    Body,
    CountIn,
    Hold,
    Item,
    MeterChange,
    Ramp,
    Section,
    Song,
    Span,
    TempoStep,
)


@dataclass(frozen=True, slots=True)
class Manner:
    """How a take is played and recorded."""

    sounds: str = "drums"  # drums | drums and bass | mix | brushes
    humanise_ms: float = 10.0  # spread of the drummer's beats round the band's course
    drift: float = 0.03  # furthest that the tempo strays from the map
    missing: int = 0  # bars left out
    doubled: int = 0  # bars played twice
    noise_db: float | None = None  # music over noise; None: the ordinary for the sounds
    lead_s: float = 2.0  # before the first sound
    count_in: bool = True


@dataclass(frozen=True, slots=True)
class Hit:
    """One sound: when, what, how loud (0..1), and its pitch if it has one."""

    at_s: float
    what: str
    level: float = 0.8
    pitch: float = 0.0
    length_s: float = 0.0


@dataclass(slots=True)
class Played:
    """What was played, and what is true of it."""

    chart: Chart
    order: list[int]  # chart index of each bar played
    beats_s: list[Seconds]  # of each bar played
    ends_s: list[float]
    hits: list[Hit] = field(default_factory=list)
    missing: list[int] = field(default_factory=list)  # chart indices
    doubled: list[int] = field(default_factory=list)
    end_s: float = 0.0

    def section_ratio(self, section_index: int) -> float:
        """Tempo of a section against the map: over all its bars played, 1.0 is the map's."""
        mapped = took = 0.0
        for index, beats, end in zip(self.order, self.beats_s, self.ends_s, strict=True):
            held = self.chart.bars[index].hold_s  # how long it lasts says nothing of tempo
            if self.chart.bars[index].section_index == section_index and len(beats) and not held:
                bar = self.chart.bars[index]
                mapped += bar.seconds - bar.beats_s[0]
                took += end - float(beats[0])
        return mapped / took if took else float("nan")


# --- songs -------------------------------------------------------------------------------------


def imagined_song(seed: int, kind: str = "plain") -> Song:
    """A song of about a minute and a half; kind is plain, odd, ramp or held."""
    rng = np.random.default_rng([seed, 11])
    tempo = Fraction(int(rng.integers(84, 150)))
    meter = Meter.of(4, 4)
    if kind == "odd":
        meters = [Meter.of(7, 8, (2, 2, 3)), Meter.of(5, 4, (3, 2)), Meter.of(6, 8), Meter.of(3, 4)]
        meter = meters[int(rng.integers(len(meters)))]
    names = ["Verse", "Chorus", "Verse", "Chorus", "Bridge", "Chorus"]
    sections = [Section("Intro", Body(int(rng.choice([4, 8]))), vamp_usual=0)]
    for name in names:
        items: tuple[Item, ...] = ()
        bars = {"Verse": 8, "Chorus": 8, "Bridge": int(rng.choice([4, 6]))}[name]
        if kind == "odd" and name == "Bridge":
            items = (Item(At(), MeterChange(Meter.of(4, 4))),)
        if kind == "odd" and name == "Chorus":
            items = (Item(At(), MeterChange(meter)),)
        if kind == "ramp" and name == "Bridge":
            faster = Fraction(int(tempo * Fraction(115, 100)))
            items = (Item(At(), Ramp(faster, Span(to_end=True))),)
        if kind == "ramp" and name == "Verse":
            items = (Item(At(), TempoStep(tempo)),)
        if kind == "held" and name == "Bridge":
            items = (Item(At(bars, Fraction(meter.beat_count)), Hold(usual_seconds=Fraction(2))),)
        sections.append(Section(name, Body(bars, items)))
    return Song(
        f"imagined-{kind}-{seed}",
        f"Imagined {seed}",
        tempo,
        tuple(sections),
        meter=meter,
        count_in=CountIn(bars=1),
    )


# --- time --------------------------------------------------------------------------------------


def _played_order(chart: Chart, manner: Manner, rng: np.random.Generator) -> Played:
    """Which bars are played; a bar left out or doubled is never the first or the last two."""
    order = list(range(0 if manner.count_in else chart.first, len(chart.bars)))
    inner = [
        i
        for i in range(chart.first + 2, len(chart.bars) - 2)
        if not chart.bars[i].hold_s and not chart.bars[i].continued
    ]
    chosen = rng.choice(inner, manner.missing + manner.doubled, replace=False).tolist()
    missing, doubled = sorted(chosen[: manner.missing]), sorted(chosen[manner.missing :])
    for index in missing:
        order.remove(index)
    for index in doubled:
        order.insert(order.index(index), index)
    return Played(chart, order, [], [], missing=missing, doubled=doubled)


def _course(chart: Chart, order: Sequence[int], drift: float, rng: np.random.Generator) -> Seconds:
    """Tempo ratio in each bar played: a habit for each section, and a slow walk on top."""
    habits = {bar.part: rng.uniform(-0.6, 0.6) for bar in chart.bars}
    ratio, walk = np.empty(len(order)), 0.0
    for n, index in enumerate(order):
        walk = 0.9 * walk + rng.normal(0, 0.15)
        stray = 0.0 if chart.bars[index].opening else habits[chart.bars[index].part] + walk
        ratio[n] = 1 + drift * float(np.clip(stray, -1, 1))
    smooth: Seconds = np.convolve(np.pad(ratio, 1, mode="edge"), (0.25, 0.5, 0.25), mode="valid")
    return smooth


def play(song: Song, manner: Manner, seed: int) -> Played:
    """The song played once."""
    rng = np.random.default_rng([seed, 23])
    chart = chart_of(song)
    played = _played_order(chart, manner, rng)
    ratios = _course(chart, played.order, manner.drift, rng)
    spread_s, now, stray = manner.humanise_ms / 1000, manner.lead_s, 0.0
    for index, ratio in zip(played.order, ratios, strict=True):
        bar = chart.bars[index]
        beats = []
        for beat in bar.beats_s:
            stray = 0.4 * stray + float(np.sqrt(1 - 0.4**2)) * rng.normal(0, spread_s)
            beats.append(
                now + beat / ratio + float(np.clip(stray, -2.5 * spread_s, 2.5 * spread_s))
            )
        played.beats_s.append(np.array(beats))
        now += bar.seconds / ratio
        if bar.hold_s:
            now += bar.hold_s * rng.uniform(0.6, 1.8)
        played.ends_s.append(now)
    for n in range(len(played.order) - 1):  # a bar ends where the next one is played
        held = chart.bars[played.order[n]].hold_s
        if not held and len(played.beats_s[n + 1]):
            played.ends_s[n] = float(played.beats_s[n + 1][0])
    played.end_s = now + 2.0
    played.hits = sorted(_hits(played, manner, rng), key=lambda hit: hit.at_s)
    return played


# --- what is played ----------------------------------------------------------------------------

_Groove = dict[str, NDArray[np.float64]]  # level at each quarter of a unit, by drum


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


class _Band:
    """Habits that stay for a song: a groove and chords for each named section."""

    def __init__(self, manner: Manner, rng: np.random.Generator) -> None:
        self.manner, self.rng = manner, rng
        self.key = int(rng.integers(12))
        self.habits: dict[tuple[str, str], tuple[_Groove, list[int]]] = {}

    def habit(self, bar: ChartBar) -> tuple[_Groove, list[int]]:
        """The groove of a section in a meter, and a chord root for each of eight bars."""
        key = (bar.section, str(bar.meter))
        if key not in self.habits:
            scale = [0, 2, 4, 5, 7, 9]
            roots = [int(self.rng.choice(scale)) for _ in range(8)]
            self.habits[key] = (_groove(bar, self.rng), roots)
        return self.habits[key]


def _hits(played: Played, manner: Manner, rng: np.random.Generator) -> list[Hit]:
    band, hits = _Band(manner, rng), []
    bars = played.chart.bars
    for n, (index, beats) in enumerate(zip(played.order, played.beats_s, strict=True)):
        bar = bars[index]
        if not len(beats):
            continue
        if bar.opening:
            hits += [Hit(float(beat), "stick", 0.7) for beat in beats]
            continue
        first = n == 0 or bars[played.order[n - 1]].part != bar.part
        last = index + 1 == len(bars) or bars[index + 1].part != bar.part
        hits += _bar_hits(band, bar, _times(played, n), first=first, last=last)
    final = played.ends_s[-1]
    hits += [Hit(final, "kick", 0.9), Hit(final, "crash", 0.8)]
    return hits


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
    groove, roots = band.habit(bar)
    rng, manner = band.rng, band.manner
    limb_s = 0.002
    hits = []
    brushes = manner.sounds == "brushes"
    for drum, levels in groove.items():
        what = {"kick": "kick", "snare": "brush tap", "hat": "brush"}[drum] if brushes else drum
        for slot, level in enumerate(levels[: len(times)]):
            filling = last and slot >= len(times) // 2 and drum == "snare"
            if level > 0 and not filling:
                at = float(times[slot] + rng.normal(0, limb_s))
                hits.append(Hit(at, what, level * rng.uniform(0.85, 1.1)))
    if last or bar.section_bar % 4 == 0:  # a fill, short inside a section
        start = len(times) // 2 if last else len(times) * 3 // 4
        what = "brush tap" if brushes else "tom"
        for n, slot in enumerate(range(start, len(times))):
            at = float(times[slot] + rng.normal(0, limb_s))
            hits.append(Hit(at, what, 0.7, pitch=180 - 14.0 * n))
    if first and not brushes:
        hits.append(Hit(float(times[0]), "crash", 0.8))
    if manner.sounds in ("drums and bass", "mix"):
        hits += _pitched(band, bar, times, roots[(bar.section_bar - 1) % 8])
    return hits


def _pitched(band: _Band, bar: ChartBar, times: Seconds, root: int) -> list[Hit]:
    """Bass on the kicks; in a mix also a guitar on the units and a held chord."""
    rng, spread_s = band.rng, band.manner.humanise_ms / 1000
    groove, _ = band.habit(bar)
    hits = []
    low = 41.2 * 2 ** ((band.key + root) % 12 / 12)
    played = [slot for slot, level in enumerate(groove["kick"][: len(times)]) if level > 0]
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


def manner_for(sounds: str, seed: int, **more: object) -> Manner:
    """A manner with spread, drift and lead drawn from a seed."""
    rng = np.random.default_rng([seed, 37])
    drawn = Manner(
        sounds=sounds,
        humanise_ms=float(rng.uniform(5, 30)),
        drift=float(rng.uniform(0, 0.06)),
        lead_s=float(rng.uniform(0.3, 6)),
        count_in=bool(rng.random() < 0.7),
    )
    return replace(drawn, **more)  # type: ignore[arg-type]
