"""Imagined takes: a band that plays a chart as people do, with the truth beside it.

Everything comes from a seed. The drummer's own beat is the truth of a beat; limbs
and the other players scatter round it. `imagined_band` says what is played on the
beats, `imagined_sound` makes it audible.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import Chart, Seconds, chart_of
from syncbox.rehearsal.imagined_band import Hit, hits_of
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
    pace: float = 1.0  # of the whole take against the map
    missing: int = 0  # bars left out
    doubled: int = 0  # bars played twice
    noise_db: float | None = None  # music over noise; None: the ordinary for the sounds
    lead_s: float = 2.0  # before the first sound
    count_in: bool = True


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
    looks: list[Hashable] = field(default_factory=list)  # of each chart bar: what is played there
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

    def could_be(self, index: int) -> list[int]:
        """Chart bars that a slip at `index` could be at as well, as far as sound can tell.

        Elsewhere in the same pass, as long as no two bars that would then be the same
        place of the same section are played differently. Nothing can tell which of four
        identical bars was left out, nor which bar of a section that comes only once.
        """
        true = np.array(self.order)
        looks = [self.looks[i] for i in self.order]
        out = []
        for other, bar in enumerate(self.chart.bars):
            same = bar.part == self.chart.bars[index].part and other not in (
                set(self.missing) | set(self.doubled)
            ) - {index}
            if same and self._explains(self._moved(true, index, other), looks):
                out.append(other)
        return out

    def _moved(self, order: NDArray[np.int64], index: int, other: int) -> NDArray[np.int64]:
        """The order if the slip at one chart bar had been at another one."""
        listed = order.tolist()
        if index in self.missing:
            listed.insert(int(np.searchsorted(order, index)), index)
            listed.remove(other)
        else:
            listed.remove(index)
            listed.insert(listed.index(other), other)
        return np.array(listed)

    def _explains(self, order: NDArray[np.int64], looks: Sequence[Hashable]) -> bool:
        """Whether no place of a section is played in two ways, and every rhythm fits."""
        places: dict[Hashable, Hashable] = {}
        for index, true, look in zip(order, self.order, looks, strict=True):
            bar, own = self.chart.bars[index], self.chart.bars[true]
            near = abs(bar.seconds - own.seconds) < 0.05 * own.seconds
            if (bar.meter, bar.hold_s, bar.continued) != (own.meter, own.hold_s, own.continued):
                return False
            key = (bar.section, bar.section_bar, bar.meter, bar.continued, bar.opening)
            if not near or places.setdefault(key, look) != look:
                return False
        return True


# --- songs -------------------------------------------------------------------------------------


FORMS = (
    ("Verse", "Chorus", "Verse", "Chorus", "Bridge", "Chorus"),
    ("Verse", "Verse", "Bridge", "Verse", "Bridge", "Verse"),
    ("Verse", "Chorus", "Bridge", "Verse", "Chorus", "Chorus"),
    ("Verse", "Build", "Chorus", "Verse", "Build", "Chorus", "Bridge"),
    ("Verse", "Verse", "Chorus", "Verse", "Chorus", "Bridge", "Out"),
)


def imagined_song(seed: int, kind: str = "plain", form: Sequence[str] = ()) -> Song:
    """A song of about a minute and a half; kind is plain, odd, ramp or held.

    form: the sections after the intro, otherwise drawn from the seed like all else.
    """
    rng = np.random.default_rng([seed, 11])
    tempo = Fraction(int(rng.integers(84, 150)))
    meter = Meter.of(4, 4)
    if kind == "odd":
        meters = [Meter.of(7, 8, (2, 2, 3)), Meter.of(5, 4, (3, 2)), Meter.of(6, 8), Meter.of(3, 4)]
        meter = meters[int(rng.integers(len(meters)))]
    lengths = {
        "Verse": int(rng.choice([8, 8, 8, 12])),
        "Chorus": int(rng.choice([8, 8, 6])),
        "Bridge": int(rng.choice([4, 6, 8])),
        "Build": int(rng.choice([2, 4])),
        "Out": 4,
    }
    names = tuple(form) or FORMS[int(rng.integers(len(FORMS)))]
    sections = [Section("Intro", Body(int(rng.choice([4, 8]))), vamp_usual=0)]
    for name in names:
        items: tuple[Item, ...] = ()
        bars = lengths[name]
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
    ratios = manner.pace * _course(chart, played.order, manner.drift, rng)
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
    played.hits, played.looks = hits_of(played, manner, rng)
    return played


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
