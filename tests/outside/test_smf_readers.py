"""Our MIDI files read by libraries that know nothing of us: every bar in our seconds.

What the format forces: a tempo is a whole number of microseconds a quarter (Standard
MIDI-File Format Specification 1.1, Set Tempo). Our writer's bound is half a microsecond
for each quarter of the longest stretch, or 50 us where a tempo goes on (its docstring).
On top of that comes what each library says or shows about its own numbers:

- pretty_midi: double precision. Its downbeats are walked anew in seconds and disagree with its
  own map of ticks to seconds in the second song here (0.2.11), so the map is asked.
- symusic: seconds in single precision, 24 bits.
- music21: reads a tempo as quarters a minute rounded to two decimals, so each second may
  be off by 0.005 / tempo; it reads nothing from tracks without notes, so notes are added.
"""

from fractions import Fraction
from pathlib import Path

import mido
import music21
import pretty_midi
import pytest
import symusic

from syncbox.pack.smf import LATE_US_MAX, file_bars, song_smf
from syncbox.pack.usual import file_steps
from syncbox.score.layout import LegKind, lay_out
from syncbox.score.meter import Meter
from syncbox.score.reading import read_show
from syncbox.score.rig import Instrument, MidiPort, Rig
from syncbox.score.song import (
    At,
    Body,
    CountIn,
    Hold,
    Item,
    MeterChange,
    Modulation,
    PatchChange,
    Ramp,
    RampShape,
    Section,
    Song,
    Span,
)
from syncbox.units import TICKS_PER_QUARTER

PORT = MidiPort("keys", "*")
RIG = Rig(ports=(PORT,), instruments=(Instrument("organ", "keys", 1),))
DOTTED_IS_PLAIN = Modulation(Fraction(3, 2), Fraction(1))
SEVEN = Meter.of(7, 8, (2, 2, 3))


def part(name, bars, *items, **keys):
    placed = tuple(Item(At(bar), what) for bar, what in items)
    return Section(name, Body(bars, placed), **keys)


SONGS = {
    "steady": Song("a", "Steady", Fraction(97), (part("Verse", 60, passes=2),)),
    "pickup, ramps and odd meters": Song(
        "b",
        "Odd",
        Fraction(97),
        (
            part("Intro", 4, (1, MeterChange(SEVEN)), (1, PatchChange("organ", "5")), vamp_usual=3),
            part("Verse", 8, (3, Ramp(Fraction(150), Span(bars=4))), passes=2),
            part("Bridge", 6, (1, MeterChange(Meter.of(5, 4))), (2, DOTTED_IS_PLAIN)),
            part("Slow", 8, (1, Ramp(Fraction(60), Span(to_end=True), RampShape.BY_TIME))),
            part("Out", 4, (1, MeterChange(Meter.of(6, 8))), (1, PatchChange("organ", "7"))),
        ),
        count_in=CountIn(bars=1),
        pickup=Span(beats=Fraction(1)),
    ),
    "a hold inside a bar": Song(
        "c",
        "Held",
        Fraction(131),
        (part("Verse", 4, (2, Hold(Fraction(7, 2), count_beats=2))), part("Out", 4)),
    ),
}  # fmt: skip


DEMO = read_show(Path(__file__).parents[2] / "songs", problems=[])
assert DEMO is not None
CASES = {name: (song, RIG) for name, song in SONGS.items()} | {
    name: (song, DEMO.rig) for name, song in DEMO.songs.items()
}


@pytest.fixture(params=CASES)
def case(request):
    return CASES[request.param]


@pytest.fixture
def song(case):
    return case[0]


def expected(song):
    """Every bar of the file as (tick, exact seconds from its start), and our bound in seconds."""
    steps = file_steps(lay_out(song))
    opening_s = steps[0].step.start_s
    bars = []
    for bar in file_bars(steps):
        placed = next(p for p in reversed(steps) if p.start_tick <= bar.tick)
        if placed.leg.kind is LegKind.HOLD:
            assert bar.tick == placed.start_tick
        within_s = placed.leg.tempo_map.seconds_at(bar.tick - placed.start_tick)
        bars.append((bar.tick, float(placed.step.start_s - opening_s + within_s)))
    longest_quarters = max(placed.ticks for placed in steps) / TICKS_PER_QUARTER
    return bars, max(longest_quarters / 2, LATE_US_MAX) * 1e-6


@pytest.fixture
def file(case, tmp_path):
    song, rig = case
    path = tmp_path / "song.mid"
    path.write_bytes(song_smf(lay_out(song), rig, rig.ports[0]))
    return str(path)


def test_mido(song, file):
    bars, bound_s = expected(song)
    tempi, now_s, tick = 500_000, 0.0, 0
    at = {}
    for message in mido.merge_tracks(mido.MidiFile(file).tracks):
        for bar, _ in bars:
            if tick <= bar <= tick + message.time:
                at[bar] = now_s + mido.tick2second(bar - tick, TICKS_PER_QUARTER, tempi)
        now_s += mido.tick2second(message.time, TICKS_PER_QUARTER, tempi)
        tick += message.time
        tempi = message.tempo if message.type == "set_tempo" else tempi
    assert [at[tick] for tick, _ in bars] == pytest.approx([s for _, s in bars], abs=bound_s)


def test_pretty_midi(song, file, monkeypatch):
    # It keeps one array slot a tick and refuses more than ten million by default.
    monkeypatch.setattr(pretty_midi.pretty_midi, "MAX_TICK", 1e8)
    bars, bound_s = expected(song)
    read = pretty_midi.PrettyMIDI(file)
    seconds = [read.tick_to_time(tick) for tick, _ in bars]
    assert seconds == pytest.approx([s for _, s in bars], abs=bound_s)


def test_symusic(song, file):
    bars, bound_s = expected(song)
    read = symusic.Score(file)
    assert (read.tpq, read.tempos[0].time) == (TICKS_PER_QUARTER, 0)
    seconds_of = dict(bars)
    in_seconds = read.to("second")
    signatures = [
        (s.time, r.time)
        for s, r in zip(read.time_signatures, in_seconds.time_signatures, strict=True)
    ]
    signatures += [(s.time, r.time) for s, r in zip(read.markers, in_seconds.markers, strict=True)]
    assert len(signatures) >= 2
    for tick, read_s in signatures:
        if tick in seconds_of:
            assert read_s == pytest.approx(
                seconds_of[tick], abs=bound_s + seconds_of[tick] * 2**-21
            )
    # Its tempo list, added up exactly, at every bar.
    ends = [*(tempo.time for tempo in read.tempos[1:]), bars[-1][0]]
    for tick, exact_s in bars:
        total_us = sum(
            Fraction(max(0, min(end, tick) - tempo.time) * tempo.mspq, TICKS_PER_QUARTER)
            for tempo, end in zip(read.tempos, ends, strict=True)
        )
        assert float(total_us) / 1e6 == pytest.approx(exact_s, abs=bound_s)


def test_music21(song, file, tmp_path):
    bars, bound_s = expected(song)
    with_notes = mido.MidiFile(file)
    track = mido.MidiTrack()
    previous = 0
    for tick, _ in bars:
        track.append(mido.Message("note_on", note=60, velocity=64, time=tick - previous))
        track.append(mido.Message("note_off", note=60, time=1260))
        previous = tick + 1260
    with_notes.tracks.append(track)
    with_notes.save(tmp_path / "notes.mid")
    reader = music21.midi.MidiFile()
    reader.open(str(tmp_path / "notes.mid"))
    reader.read()
    reader.close()
    read = music21.midi.translate.midiFileToStream(reader, quantizePost=False)
    tempi = read.flatten().metronomeMarkBoundaries()
    notes = list(read.flatten().notes)
    assert len(notes) == len(bars)
    slowest_qpm = min(mark.getQuarterBPM() for _, _, mark in tempi)
    for note, (_, exact_s) in zip(notes, bars, strict=True):
        read_s = sum(
            (min(end, note.offset) - start) * 60 / mark.getQuarterBPM()
            for start, end, mark in tempi
            if start < note.offset
        )
        rounding_s = exact_s * 0.005 / slowest_qpm
        assert float(read_s) == pytest.approx(exact_s, abs=bound_s + rounding_s)
