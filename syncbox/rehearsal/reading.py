"""A take held against its song: the answer per beat, bar and section."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.beats import Beats
from syncbox.rehearsal.belief import beat_confidence
from syncbox.rehearsal.chart import Chart, ChartBar, at_pace, chart_of
from syncbox.rehearsal.following import follow
from syncbox.rehearsal.notes import far_note, notes_of, other_begins, seems, why_guessed
from syncbox.rehearsal.onsets import STEP_S, Floats, Onsets, part_of
from syncbox.rehearsal.structure import Slip
from syncbox.rehearsal.trying import MATCH_MIN, SURE_MATCH, Tried, tried
from syncbox.rehearsal.walk import Placed
from syncbox.score.song import Song

_LONG = 3.0  # a take this many times as long as the song is searched for it
_STRETCH = 2.2  # songs in a stretch; stretches overlap by a song
_SHORT_S = 20.0  # some eight bars; less is hardly ever told
_AS_PLAYED = 0.8  # of a beat that was heard, against the band's course
SURE = 0.5  # a beat that is less sure than this is not told
WITH_CLICK_MS = 80.0  # a band that plays to the map's click never strays further


@dataclass(frozen=True, slots=True)
class BeatRow:
    """One beat. Times are seconds of the take; late_ms is played minus expected."""

    bar: int
    beat: int
    expected_s: float
    played_s: float
    late_ms: float
    smooth_ms: float
    confidence: float


@dataclass(frozen=True, slots=True)
class BarRow:
    """One bar as played. tempo and map_tempo are quarters a minute; None: cannot tell."""

    bar: int
    section: str
    start_s: float
    late_ms: float | None
    tempo: float | None
    map_tempo: float
    confidence: float


@dataclass(frozen=True, slots=True)
class SectionRow:
    """One pass of a section. tempo_share: 0.03 is 3 % faster than the map over the section."""

    section: str
    pass_no: int
    first_bar: int
    last_bar: int
    start_s: float
    late_ms: float | None  # at its end against its begin: the map restarts with the section
    scatter_ms: float
    tempo_share: float | None
    confidence: float
    section_index: int  # in the song as written
    first_row: int  # its bars in the reading: first_row up to but not including end_row
    end_row: int


@dataclass(frozen=True, slots=True)
class SlipRow:
    """Bars left out or played again; from_bar..to_bar fit about as well as the bars named."""

    section: str
    bars: tuple[int, ...]
    from_bar: int
    to_bar: int

    @property
    def certain(self) -> bool:
        """Whether no other bars sound so alike that they could be meant."""
        return self.from_bar >= self.bars[0] and self.to_bar <= self.bars[-1]


@dataclass(frozen=True, slots=True)
class TakeReading:
    """Everything that a take says about a song."""

    song: str
    match: float
    latency_ms: float | None
    with_click: bool
    duration_s: float
    beats: tuple[BeatRow, ...] = ()
    bars: tuple[BarRow, ...] = ()
    sections: tuple[SectionRow, ...] = ()
    missing_bars: tuple[SlipRow, ...] = ()
    extra_bars: tuple[SlipRow, ...] = ()
    notes: tuple[str, ...] = ()
    place_guessed: bool = False  # whether it begins at its first bar is not sure
    other_begins: tuple[int, ...] = ()  # numbers of bars at which it may begin as well
    lock_doubt: str = ""  # why the time that was told for bar 1 seems wrong
    more_like: str = ""  # title of another song of the show, if the take matches it better

    @property
    def song_sure(self) -> bool:
        """Whether no other song of the same form and tempo is likely to match as well."""
        return self.found and self.match >= SURE_MATCH and not self.more_like

    @property
    def found(self) -> bool:
        """Whether the take looks like the song at all."""
        return self.match >= MATCH_MIN and bool(self.bars)

    def later(self, by_s: float) -> TakeReading:
        """The same reading, of a part of a recording that begins so much before the part."""
        return replace(
            self,
            beats=tuple(
                replace(b, expected_s=b.expected_s + by_s, played_s=b.played_s + by_s)
                for b in self.beats
            ),
            bars=tuple(replace(b, start_s=b.start_s + by_s) for b in self.bars),
            sections=tuple(replace(s, start_s=s.start_s + by_s) for s in self.sections),
        )


def read_take(
    song: Song, onsets: Onsets, *, locked_at_s: float | None = None, speed: float | None = None
) -> TakeReading:
    """Follow a song through a take.

    locked_at_s: the take's time at the map's bar 1, for a take that was recorded in
    lock with the map; without it the map is laid over the take where it fits best.
    speed: of the map's tempo, 1.0 the same, where it is known that it was played far from it.
    """
    chart = chart_of(song)
    long_s = _LONG * chart.seconds / (speed or 1.0) + 60
    if onsets.duration_s > long_s and locked_at_s is None:
        return _read_long(song, chart, onsets, speed)
    if len(onsets.times_s) < 8:
        return _nothing(song, onsets, "there is next to nothing to hear in this take")
    found = tried(chart, onsets, locked_at_s, speed)
    if found.match < MATCH_MIN or found.beats is None:
        words = f"this does not look like this song: best match {found.match:.1f}{seems(found)}"
        if onsets.duration_s < _SHORT_S:
            words = f"{onsets.duration_s:.0f} seconds are too little to tell a song by: {words}"
        return _nothing(song, onsets, words, found.match)
    return _reading(found, onsets, locked_at_s)


def _reading(found: Tried, onsets: Onsets, locked_at_s: float | None) -> TakeReading:
    chart, beats, match = found.chart, found.beats, found.match
    assert beats is not None
    settled, placed = found.settled, found.settled.course.placed
    sure = beat_confidence(beats, match, onsets)
    expected, offset, clicked = _expected(chart, placed, beats, locked_at_s)
    rows = _beat_rows(chart, placed, beats, expected, sure)
    bars = _bar_rows(chart, placed, beats, expected, sure)
    sections = _section_rows(chart, placed, beats, sure)
    locked = locked_at_s is not None
    guessed = bool(why_guessed(found, locked=locked))
    dark = sum(row.confidence < SURE for row in rows)
    notes = notes_of(found, clicked=clicked, locked=locked)
    if dark:
        notes = (*notes, f"{dark} of {len(rows)} beats: the sound cannot tell")
    if found.pace != 1.0:  # the answer is against the map as it is written
        bars = tuple(replace(bar, map_tempo=bar.map_tempo / found.pace) for bar in bars)
        sections = tuple(_against_map(section, found.pace) for section in sections)
        notes = (far_note(bars), *notes)
    return TakeReading(
        chart.song.id,
        match,
        offset,
        clicked,
        onsets.duration_s,
        rows,
        bars,
        sections,
        *_slip_rows(chart.bars, settled.slips),
        notes,
        guessed,
        tuple(other_begins(found)) if guessed else (),
    )


def _against_map(section: SectionRow, pace: float) -> SectionRow:
    if section.tempo_share is None or section.late_ms is None:
        return section
    ratio = section.tempo_share + 1
    paced_ms = section.late_ms / (1 / ratio - 1) if ratio != 1 else 0.0
    return replace(
        section,
        tempo_share=ratio * pace - 1,
        late_ms=paced_ms * pace * (1 / (ratio * pace) - 1),
    )


def _read_long(song: Song, chart: Chart, onsets: Onsets, speed: float | None) -> TakeReading:
    """A take much longer than the song: the stretch that follows the map best is read."""
    paced = at_pace(chart, speed or 1.0)
    length = _STRETCH * paced.seconds + 30
    starts = np.arange(0.0, max(1.0, onsets.duration_s - length / 2), length - paced.seconds)
    parts = (part_of(onsets, start, start + length) for start in starts)
    scores = [follow(paced, part).score for part in parts]
    begin = float(starts[int(np.argmax(scores))])
    found = read_take(song, part_of(onsets, begin, begin + length), speed=speed)
    minutes, seconds = divmod(round(begin), 60)
    note = f"a long take: read from {minutes}:{seconds:02} on, where it is most like the song"
    found = found.later(round(begin / STEP_S) * STEP_S)
    return replace(found, duration_s=onsets.duration_s, notes=(*found.notes, note))


def _nothing(song: Song, onsets: Onsets, why: str, match: float = 0.0) -> TakeReading:
    return TakeReading(
        song.id, match, None, with_click=False, duration_s=onsets.duration_s, notes=(why,)
    )


# --- expected times ----------------------------------------------------------------------------


def _runs(chart: Chart, placed: Sequence[Placed]) -> NDArray[np.int64]:
    """Number of the run that each bar belongs to: a hold or a jump in the chart begins one."""
    run, out = 0, []
    for before in (None, *placed[:-1]):
        if before is not None and chart.bars[before.index].hold_s:
            run += 1
        out.append(run)
    return np.array(out)


def _expected(
    chart: Chart, placed: Sequence[Placed], beats: Beats, locked_at_s: float | None
) -> tuple[Floats, float | None, bool]:
    """When the map expects each beat, the constant lateness (ms), and whether a click was followed.

    With a known lock the constant is what recording chain and playing add together.
    Without one the map starts anew with each run of bars, laid where the middle beat fits.
    """
    run_of = _runs(chart, placed)[beats.bar]
    expected = np.empty(len(run_of))
    for run in np.unique(run_of):
        here = run_of == run
        expected[here] = beats.map_s[here] + np.median(beats.smooth_s[here] - beats.map_s[here])
    stray = np.abs(beats.smooth_s - expected) * 1000
    clicked = float(np.quantile(stray, 0.95)) < WITH_CLICK_MS and len(run_of) > 16
    if not clicked:  # a free take: the map is laid at each run's first beats
        for run in np.unique(run_of):
            here = np.flatnonzero(run_of == run)
            head = here[:4]
            lead = np.median(beats.smooth_s[head] - beats.map_s[head])
            expected[here] = beats.map_s[here] + lead
    latency = None
    if locked_at_s is not None:
        first = next((n for n, p in enumerate(placed) if p.index == chart.first), None)
        if first is not None and clicked:
            zero = sum(chart.bars[p.index].seconds for p in placed[:first])
            constant = float(np.median((expected - beats.map_s)[run_of == 0])) + zero
            latency = (constant - locked_at_s) * 1000
    return expected, latency, clicked


def _beat_rows(
    chart: Chart, placed: Sequence[Placed], beats: Beats, expected: Floats, sure: Floats
) -> tuple[BeatRow, ...]:
    return tuple(
        BeatRow(
            chart.bars[placed[bar].index].number,
            int(beat),
            float(should),
            float(played),
            float(played - should) * 1000,
            float(smooth - should) * 1000,
            float(confidence),
        )
        for bar, beat, should, played, smooth, confidence in zip(
            beats.bar, beats.beat, expected, beats.played_s, beats.smooth_s, sure, strict=True
        )
    )


# --- bars and sections -------------------------------------------------------------------------


def _bar_rows(
    chart: Chart, placed: Sequence[Placed], beats: Beats, expected: Floats, sure: Floats
) -> tuple[BarRow, ...]:
    rows = []
    for n, p in enumerate(placed):
        bar = chart.bars[p.index]
        here = np.flatnonzero(beats.bar == n)
        belief = float(sure[here].mean()) if len(here) else 0.0
        ratio = _ratio(chart, placed, beats, [n], beats.smooth_s)
        tell = belief >= SURE and len(here) > 0
        late = float(np.mean(beats.smooth_s[here] - expected[here])) * 1000 if tell else None
        tempo = bar.tempo_qpm * ratio if tell and ratio else None
        rows.append(BarRow(bar.number, bar.section, p.start_s, late, tempo, bar.tempo_qpm, belief))
    return tuple(rows)


def _ratio(
    chart: Chart, placed: Sequence[Placed], beats: Beats, bars: Sequence[int], times: Floats
) -> float | None:
    """Tempo of a run of bars against the map: from its first beat to the beat that follows it.

    times: of each beat, (n,).
    """
    here = np.flatnonzero((beats.bar >= bars[0]) & (beats.bar <= bars[-1]))
    if not len(here):
        return None
    held = any(chart.bars[placed[n].index].hold_s for n in bars)
    last = int(here[-1]) if held else min(int(here[-1]) + 1, len(beats.bar) - 1)
    first = int(here[0])
    took = times[last] - times[first]
    mapped = beats.map_s[last] - beats.map_s[first]
    if held and len(bars) > 1:  # time stood still inside
        return None
    return float(mapped / took) if took > 0 and last > first else None


def _section_rows(
    chart: Chart, placed: Sequence[Placed], beats: Beats, sure: Floats
) -> tuple[SectionRow, ...]:
    rows = []
    # How long a section took is what was played at its ends; a beat that was heard counts most.
    heard = np.where(beats.weight > 0, _AS_PLAYED, 0.0)
    times = heard * beats.played_s + (1 - heard) * beats.smooth_s
    starts = [
        n
        for n, p in enumerate(placed)
        if n == 0
        or chart.bars[p.index].part != chart.bars[placed[n - 1].index].part
        or p.index < placed[n - 1].index - 1
    ]
    for first, end in zip(starts, [*starts[1:], len(placed)], strict=True):
        bars = [chart.bars[p.index] for p in placed[first:end]]
        if bars[0].opening:
            continue
        here = np.flatnonzero((beats.bar >= first) & (beats.bar < end))
        free = [n for n in range(first, end) if not chart.bars[placed[n].index].hold_s]
        whole = [n for n in free if n < first + len(free)]
        ratio = _ratio(chart, placed, beats, whole, times) if whole else None
        scatter = (beats.played_s - beats.smooth_s)[here]
        scatter = scatter[beats.weight[here] > 0]
        belief = float(sure[here].mean()) if len(here) else 0.0
        tell = ratio is not None and belief >= SURE
        mapped = sum(chart.bars[placed[n].index].seconds for n in whole)
        rows.append(
            SectionRow(
                bars[0].section,
                bars[0].pass_no,
                bars[0].number,
                bars[-1].number,
                placed[first].start_s,
                1000 * mapped * (1 / ratio - 1) if tell and ratio else None,
                float(np.std(scatter) * 1000) if len(scatter) > 3 else 0.0,
                ratio - 1 if tell and ratio else None,
                belief,
                bars[0].section_index,
                first,
                end,
            )
        )
    return tuple(rows)


def _slip_rows(
    bars: Sequence[ChartBar], slips: Sequence[Slip]
) -> tuple[tuple[SlipRow, ...], tuple[SlipRow, ...]]:
    rows: dict[str, list[SlipRow]] = {"missing": [], "extra": []}
    for slip in slips:
        numbers = tuple(bars[i].number for i in range(slip.first, slip.last + 1))
        low, high = max(0, slip.low), min(len(bars) - 1, slip.high)
        rows[slip.kind].append(
            SlipRow(bars[slip.first].section, numbers, bars[low].number, bars[high].number)
        )
    return tuple(rows["missing"]), tuple(rows["extra"])
