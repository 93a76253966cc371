"""Openly licensed music with a published tempo map: standard MIDI files, and what sounds like them.

A MIDI file says when each of its beats is, by its own tempo and meter events, which mido
reads. So its song can be written for `compare`, and the truth comes from nobody here. Its
sections are told by the notes: blocks of bars with the same notes are passes of one section.
What it sounds like is rendered with a sound font, where no recording is published with it.
"""

from __future__ import annotations

import importlib
import io
import sys
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import pairwise

import mido
import numpy as np
import pytest
import soxr
from building import item
from found_sounds import found_bytes, found_path
from numpy.typing import NDArray

from syncbox.rehearsal.onsets import RATE
from syncbox.score.meter import Meter
from syncbox.score.song import Body, Item, MeterChange, Section, Song, TempoStep

DRUMS = 9  # channel of General MIDI's percussion
_USUAL_US = 500_000  # microseconds a quarter where a file says nothing (Standard MIDI Files 1.0)
_RENDER_RATE = 44_100
_ALIKE = 0.6  # share of notes that two blocks have in common to be one section
_BLOCKS = (8, 4)  # bars


@dataclass(frozen=True)
class Note:
    start: int
    end: int
    channel: int
    key: int
    velocity: int


@dataclass(frozen=True)
class BarOf:
    """A bar of a file; ticks of the file."""

    start: int
    ticks: int
    meter: Meter


@dataclass(frozen=True)
class Music:
    """What a MIDI file says. tempi: (tick, microseconds a quarter), from tick 0 on."""

    ticks_per_quarter: int
    tempi: tuple[tuple[int, int], ...]
    bars: tuple[BarOf, ...]  # from the first to the last in which a note begins
    notes: tuple[Note, ...]
    controls: tuple[tuple[int, mido.Message], ...]  # programs, controllers, bends

    def seconds_at(self, ticks: object) -> NDArray[np.float64]:
        """Times of ticks by the tempo events, file time."""
        at = np.array([tick for tick, _ in self.tempi], float)
        each = np.array([us for _, us in self.tempi]) / 1e6 / self.ticks_per_quarter
        starts = np.concatenate([[0.0], np.cumsum(np.diff(at) * each[:-1])])
        wanted = np.asarray(ticks, float)
        step = np.clip(np.searchsorted(at, wanted, side="right") - 1, 0, None)
        return starts[step] + (wanted - at[step]) * each[step]

    def us_at(self, tick: int) -> int:
        return [us for at, us in self.tempi if at <= tick][-1]

    def beat_ticks(self, bar: BarOf) -> NDArray[np.float64]:
        """Ticks of a bar's felt beats."""
        return bar.start + np.array(bar.meter.beat_starts()) * bar.ticks / bar.meter.bar_ticks

    def bar_of(self, ticks: Sequence[int]) -> NDArray[np.int64]:
        """The bar, from 0, in which each tick lies."""
        starts = [bar.start for bar in self.bars]
        return np.clip(np.searchsorted(starts, ticks, side="right") - 1, 0, None)

    def beats_s(self) -> NDArray[np.float64]:
        """File times of all felt beats."""
        return np.concatenate([self.seconds_at(self.beat_ticks(bar)) for bar in self.bars])

    def shortened(self, bars: int) -> Music:
        """The first bars only."""
        kept = self.bars[:bars]
        end = kept[-1].start + kept[-1].ticks
        return Music(
            self.ticks_per_quarter,
            self.tempi,
            kept,
            tuple(note for note in self.notes if note.start < end),
            tuple(control for control in self.controls if control[0] < end),
        )


def music_of(data: bytes, *, silence: bool = False) -> Music:
    """Read a standard MIDI file; without a meter it is in 4/4, as the standard says.

    silence: keep bars before the first note, for a file that holds one player's part only.
    """
    file = mido.MidiFile(file=io.BytesIO(data), clip=True)
    tempi, meters = {0: _USUAL_US}, {0: (4, 4)}
    notes: list[Note] = []
    controls = []
    for track in file.tracks:
        tick, sounding = 0, {}
        for message in track:
            tick += message.time
            if message.type == "set_tempo":
                tempi[tick] = message.tempo
            elif message.type == "time_signature":
                meters[tick] = (message.numerator, message.denominator)
            elif message.type in ("note_on", "note_off"):
                key = (message.channel, message.note)
                if key in sounding:
                    start, velocity = sounding.pop(key)
                    notes.append(Note(start, tick, *key, velocity))
                if message.type == "note_on" and message.velocity:
                    sounding[key] = tick, message.velocity
            elif message.type in ("program_change", "control_change", "pitchwheel"):
                controls.append((tick, message))
        notes += [Note(start, tick, *key, velocity) for key, (start, velocity) in sounding.items()]
    notes.sort(key=lambda note: note.start)
    controls.sort(key=lambda control: control[0])
    bars = _bars(file.ticks_per_beat, meters, notes, silence=silence)
    return Music(
        file.ticks_per_beat, tuple(sorted(tempi.items())), bars, tuple(notes), tuple(controls)
    )


def _bars(
    per_quarter: int, meters: dict[int, tuple[int, int]], notes: Sequence[Note], *, silence: bool
) -> tuple[BarOf, ...]:
    bars, tick, last = [], 0, max(note.start for note in notes)
    while tick <= last:
        numerator, denominator = meters[max(at for at in meters if at <= tick)]
        ticks = numerator * 4 * per_quarter // denominator
        bars.append(BarOf(tick, ticks, Meter.of(numerator, denominator)))
        tick += ticks
    if silence:
        return tuple(bars)
    first = next(n for n, bar in enumerate(bars) if bar.start + bar.ticks > notes[0].start)
    return tuple(bars[first:])


# --- the song --------------------------------------------------------------------------------


def song_of(music: Music, name: str, *, sections: bool = True) -> Song:
    """The file written as a song: sections by its notes, or one section of all its bars."""
    blocks = blocks_of(music) if sections else [("Song", 0, len(music.bars))]
    first = music.bars[0]
    written: list[Section] = []
    meter, us = first.meter, music.us_at(first.start)
    for label, begin, end in blocks:
        items, meter, us = _items(music, begin, end, meter, us)
        before = written[-1] if written else None
        if before and before.name == label and not items and not before.body.items:
            written[-1] = Section(label, before.body, passes=before.passes + 1)
        else:
            written.append(Section(label, Body(end - begin, tuple(items))))
    tempo = Fraction(60_000_000, music.us_at(first.start))
    return Song(name, name, tempo, tuple(written), meter=first.meter)


def _items(
    music: Music, begin: int, end: int, meter: Meter, us: int
) -> tuple[list[Item], Meter, int]:
    """Changes of meter and tempo in a run of bars."""
    items = []
    for number, bar in enumerate(music.bars[begin:end], 1):
        if bar.meter != meter:
            items.append(item(MeterChange(bar.meter), number))
            meter = bar.meter
        changes = [(bar.start, music.us_at(bar.start))]
        changes += [(t, u) for t, u in music.tempi if bar.start < t < bar.start + bar.ticks]
        for tick, each in changes:
            if each != us:
                beats = music.beat_ticks(bar)
                n = int(np.searchsorted(beats, tick, side="right")) - 1
                after = beats[n + 1] if n + 1 < len(beats) else bar.start + bar.ticks
                beat = n + 1 + Fraction(round(tick - beats[n]), round(after - beats[n]))
                items.append(item(TempoStep(Fraction(60_000_000, each)), number, beat))
                us = each
    return items, meter, us


def blocks_of(music: Music) -> list[tuple[str, int, int]]:
    """Sections as (name, first bar, bar after the last): blocks of the same notes share a name."""
    looks = looks_of(music)
    candidates = []
    for size in _BLOCKS:
        for offset in range(size):
            labelled = _labelled(music, looks, size, offset)
            names = [name for name, begin, end in labelled if end - begin == size]
            again = sum(names.count(name) > 1 for name in names) * size / len(music.bars)
            candidates.append((again * (1.0 if size == _BLOCKS[0] else 0.8), -offset, labelled))
    return max(candidates, key=lambda each: each[:2])[2]


def looks_of(music: Music) -> list[set[tuple[bool, int, int]]]:
    """Of each bar what begins where, in sixteenths."""
    looks: list[set[tuple[bool, int, int]]] = [set() for _ in music.bars]
    for note, n in zip(music.notes, music.bar_of([n.start for n in music.notes]), strict=True):
        place = round(4 * (note.start - music.bars[n].start) / music.ticks_per_quarter)
        looks[n].add((note.channel == DRUMS, note.key, place))
    return looks


def _labelled(
    music: Music, looks: Sequence[set[tuple[bool, int, int]]], size: int, offset: int
) -> list[tuple[str, int, int]]:
    count = len(looks)
    edges = sorted({0, *range(offset, count, size), count})
    blocks, known = [], []
    for begin, end in pairwise(edges):
        meters = [bar.meter for bar in music.bars[begin:end]]
        name = None
        for other, first in known:
            same = [bar.meter for bar in music.bars[first : first + end - begin]] == meters
            if end - begin == size and same and _alike(looks, begin, first, size) >= _ALIKE:
                name = other
                break
        if name is None:
            name = f"Part {len(known) + 1}"
            known.append((name, begin if end - begin == size else count))
        blocks.append((name, begin, end))
    return blocks


def _alike(looks: Sequence[set[tuple[bool, int, int]]], one: int, other: int, size: int) -> float:
    """Share of notes that two runs of bars have in common (P. Jaccard's index)."""
    common = sum(len(looks[one + n] & looks[other + n]) for n in range(size))
    either = sum(len(looks[one + n] | looks[other + n]) for n in range(size))
    return common / either if either else 0.0  # bars without a note say nothing


# --- the performance -------------------------------------------------------------------------


@dataclass(frozen=True)
class Manner:
    """How a file is played: see `performed`."""

    missing: int | None = None  # number of a bar, from 0
    doubled: int | None = None
    drift: float = 0.0  # 0.06: the tempo wanders up to 6 % from the map's
    jitter_ms: float = 0.0  # spread of single notes
    lead_s: float = 1.0
    seed: int = 0


@dataclass(frozen=True)
class Performed:
    """Messages in seconds, and the truth: bars of the file in the order played, their beats."""

    messages: tuple[tuple[float, mido.Message], ...]
    order: tuple[int, ...]
    beats_s: tuple[NDArray[np.float64], ...]


def performed(music: Music, manner: Manner) -> Performed:
    """The file played, with a bar left out or played twice, and a tempo that wanders."""
    order = [n for n in range(len(music.bars)) if n != manner.missing]
    if manner.doubled is not None:
        order.insert(order.index(manner.doubled), manner.doubled)
    lines = music.seconds_at([bar.start for bar in music.bars])
    ends = music.seconds_at([bar.start + bar.ticks for bar in music.bars])
    starts = np.concatenate([[0.0], np.cumsum([ends[n] - lines[n] for n in order])])
    rng = np.random.default_rng(manner.seed)
    warp = _wandering(float(starts[-1]) + 8, manner.drift, rng)

    def played(place: int, ticks: object) -> NDArray[np.float64]:
        """When ticks of a bar are played in which another one, or none, may have come before."""
        own = music.seconds_at(ticks) - lines[order[place]] + starts[place]
        return manner.lead_s + np.interp(own, *warp)

    bar_of = music.bar_of([note.start for note in music.notes])
    messages: list[tuple[float, mido.Message]] = []
    for place, n in enumerate(order):
        notes = [music.notes[i] for i in np.flatnonzero(bar_of == n)]
        stray = rng.normal(0, 1, len(notes)).clip(-2, 2) * manner.jitter_ms / 1000
        on = played(place, [note.start for note in notes]) + stray
        off = played(place, [note.end for note in notes]) + stray - 0.002
        for note, begin, end in zip(notes, on, off, strict=True):
            about = {"channel": note.channel, "note": note.key}
            begins = mido.Message("note_on", velocity=note.velocity, **about)
            ends_ = mido.Message("note_off", **about)
            messages += [(max(0.0, begin), begins), (max(begin + 0.03, end), ends_)]
    control_bars = music.bar_of([tick for tick, _ in music.controls])
    for (tick, message), n in zip(music.controls, control_bars, strict=True):
        place = next((p for p, m in enumerate(order) if m >= n), None)  # the next, if it is missing
        if tick <= music.bars[0].start:
            messages.append((0.0, message))
        elif place is not None:
            inside = tick if order[place] == n else music.bars[order[place]].start
            messages.append((max(0.0, float(played(place, inside)) - 0.003), message))
    rank = {"note_off": 1, "note_on": 2}
    messages.sort(key=lambda each: (each[0], rank.get(each[1].type, 0)))
    beats = [played(place, music.beat_ticks(music.bars[n])) for place, n in enumerate(order)]
    return Performed(tuple(messages), tuple(order), tuple(beats))


def _wandering(
    length_s: float, drift: float, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Map times and when they are played: the tempo wanders smoothly within the drift."""
    mapped = np.arange(0.0, length_s, 0.05)
    knots = np.arange(0.0, length_s + 24, 12.0)
    share = np.interp(mapped, knots, rng.uniform(-drift, drift, len(knots)))
    took = np.concatenate([[0.0], np.cumsum(0.05 / (1 + share))[:-1]])
    return mapped, took


def rendered(messages: Sequence[tuple[float, mido.Message]]) -> NDArray[np.float32]:
    """One channel at RATE of messages in seconds. Skips the test where nothing can render."""
    synth = _synth()
    font = synth.sfload(_font(), max_voices=256)
    for channel in range(16):
        synth.program_select(channel, font, 0, 0, channel == DRUMS)
    done, pieces = 0, []
    for at, message in messages:
        frame = round(at * _RENDER_RATE)
        if frame > done:
            pieces.append(np.frombuffer(synth.generate_simple(frame - done), np.float32).copy())
            done = frame
        _send(synth, message)
    pieces.append(np.frombuffer(synth.generate_simple(2 * _RENDER_RATE), np.float32).copy())
    sound = np.concatenate(pieces).reshape(-1, 2).mean(axis=1)
    sound = soxr.resample(sound, _RENDER_RATE, RATE, quality="HQ")
    return np.asarray(0.7 * sound / np.abs(sound).max(), np.float32)


def _send(synth: object, message: mido.Message) -> None:
    channel = message.channel
    if message.type == "note_on":
        synth.noteon(channel, message.note, message.velocity)
    elif message.type == "note_off":
        synth.noteoff(channel, message.note)
    elif message.type == "control_change":
        synth.control_change(channel, message.control, message.value)
    elif message.type == "pitchwheel":
        synth.pitchbend(channel, message.pitch + 8192)
    else:
        try:
            synth.program_change(channel, message.program, channel == DRUMS)
        except RuntimeError:  # the font has no such kit
            synth.program_change(channel, 0, channel == DRUMS)


@cache
def _font() -> bytes:
    return found_bytes("timgm6mb.sf2")


def _synth() -> object:
    try:
        module = importlib.import_module("tinysoundfont")
    except ImportError:
        wheel = found_path("tinysoundfont.whl")
        folder = wheel.with_suffix("")
        if not folder.exists():
            with zipfile.ZipFile(wheel) as packed:
                packed.extractall(folder)
        sys.path.insert(0, str(folder))
        try:
            module = importlib.import_module("tinysoundfont")
        except ImportError as problem:
            pytest.skip(f"the renderer cannot be loaded: {problem}")
    return module.Synth(gain=-6, samplerate=_RENDER_RATE)
