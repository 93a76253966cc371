import io
from dataclasses import replace
from fractions import Fraction

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.errors import ShowError
from syncbox.pack.smf import DELTA_MAX, LATE_US_MAX, click_clocks, file_bars, song_smf
from syncbox.pack.usual import file_steps, marks
from syncbox.score.layout import LegKind, lay_out
from syncbox.score.meter import Meter
from syncbox.score.rig import BankCount, Instrument, MidiPort, Panel, Rig
from syncbox.score.song import (
    At,
    Body,
    ControllerSend,
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
    SysexSend,
    TempoStep,
    TextCue,
)
from syncbox.score.timecode import CodeRate, TimeCode
from syncbox.units import TICKS_PER_CLOCK, TICKS_PER_QUARTER

KEYS = MidiPort("keys", "*")
ORGAN = Instrument("organ", "keys", 3, patch_names={"Soft": "12"})
LEAD = Instrument("lead", "keys", 5)
FAR = Instrument("far", "other", 1)
RIG = Rig(ports=(KEYS, MidiPort("other", "*")), instruments=(ORGAN, LEAD, FAR))
METERS = [
    Meter.of(4, 4),
    Meter.of(3, 4),
    Meter.of(7, 8, (2, 2, 3)),
    Meter.of(6, 8),
    Meter.of(5, 32),
]


def section(name, bars, *items, **keys):
    return Section(
        name,
        Body(bars, tuple(Item(At(bar, Fraction(beat)), what) for bar, beat, what in items)),
        **keys,
    )


def song(*sections, tempo_qpm=Fraction(120), **keys):
    return Song("a", "A Song", tempo_qpm, sections, **keys)


def read(a_song, port=KEYS):
    data = song_smf(lay_out(a_song), RIG, port)
    return mido.MidiFile(file=io.BytesIO(data), charset="utf-8")


def absolute(track):
    tick = 0
    for message in track:
        tick += message.time
        yield tick, message


def of_type(track, kind):
    return [(tick, message) for tick, message in absolute(track) if message.type == kind]


def seconds_at(file, ticks):
    """Exact seconds of ascending ticks by the file's own tempo events: a dumb walk."""
    tempi = of_type(file.tracks[0], "set_tempo")
    out = []
    for tick in ticks:
        total_us = Fraction(0)
        for (start, message), (end, _) in zip(tempi, [*tempi[1:], (tick, None)], strict=True):
            total_us += max(0, min(end, tick) - start) * Fraction(message.tempo, TICKS_PER_QUARTER)
        out.append(total_us / 1_000_000)
    return out


tempi_qpm = st.fractions(20, 400, max_denominator=100)
happenings = st.one_of(
    st.builds(TempoStep, tempi_qpm),
    st.builds(Ramp, tempi_qpm, st.builds(Span, bars=st.integers(1, 3)), st.sampled_from(RampShape)),
    st.builds(
        Hold,
        st.one_of(st.none(), st.fractions(0, 20, max_denominator=10)),
        count_beats=st.integers(0, 3),
    ),
    st.just(TextCue("now")),
    st.builds(MeterChange, st.sampled_from(METERS)),
)


@st.composite
def sections(draw):
    bars = draw(st.integers(1, 6))
    positions = st.integers(1, bars)
    items = draw(
        st.lists(st.tuples(positions, st.just(1), happenings), max_size=3, unique_by=lambda i: i[0])
    )
    return section(
        "Part",
        bars,
        *items,
        passes=draw(st.integers(1, 2)),
        vamp_usual=draw(st.sampled_from([0, 0, 3])),
    )


songs = st.builds(
    lambda parts, **keys: song(*parts, **keys),
    st.lists(sections(), min_size=1, max_size=4),
    tempo_qpm=tempi_qpm,
    meter=st.sampled_from(METERS),
    count_in=st.one_of(
        st.builds(CountIn, bars=st.integers(0, 2)), st.builds(CountIn, beats=st.integers(1, 3))
    ),
    pickup=st.one_of(st.none(), st.just(Span(beats=Fraction(1)))),
)


@settings(max_examples=60, deadline=None)
@given(songs)
def test_file_time_stays_within_the_rounding_of_the_longest_stretch(a_song):
    route = lay_out(a_song)
    steps = file_steps(route)
    longest = Fraction(max(placed.ticks for placed in steps), TICKS_PER_QUARTER)
    starts = seconds_at(read(a_song), [placed.start_tick for placed in steps])
    opening_s = steps[0].step.start_s
    for placed, file_s in zip(steps, starts, strict=True):
        error_us = (file_s - (placed.step.start_s - opening_s)) * 1_000_000
        assert abs(error_us) <= max(longest / 2, LATE_US_MAX)


@settings(max_examples=60, deadline=None)
@given(songs)
def test_a_reader_finds_our_bar_lines(a_song):
    route = lay_out(a_song)
    steps = file_steps(route)
    end = steps[-1].start_tick + steps[-1].ticks
    bars = list(file_bars(steps))
    assert [bar.tick for bar in bars] == list(_reader_bars(read(a_song), end))
    ours = {
        placed.start_tick + bar.start_tick
        for placed in steps
        for bar in placed.leg.bars
        if bar.start_tick >= 0
    }
    assert ours <= {bar.tick for bar in bars}


def _reader_bars(file, end):
    """Bar lines as a reader draws them: from each time signature on, bar after bar."""
    changes = of_type(file.tracks[0], "time_signature")
    for (start, message), (stop, _) in zip(changes, [*changes[1:], (end, None)], strict=True):
        yield from range(
            start, stop, 4 * TICKS_PER_QUARTER * message.numerator // message.denominator
        )


def test_two_runs_give_the_same_bytes():
    a_song = song(section("Verse", 4, (1, 1, PatchChange("organ", "Soft"))))
    first, second = (song_smf(lay_out(a_song), RIG, KEYS) for _ in range(2))
    assert first == second


def test_head_and_tracks():
    file = read(song(section("Verse", 2)))
    assert (file.type, file.ticks_per_beat) == (1, 20_160)
    assert [track.name for track in file.tracks] == ["A Song", "organ", "lead"]
    assert all(track[-1].type == "end_of_track" for track in file.tracks)
    assert {list(absolute(track))[-1][0] for track in file.tracks} == {8 * TICKS_PER_QUARTER}


def test_a_port_that_wants_no_patches_has_the_first_track_alone():
    file = read(song(section("Verse", 2)), MidiPort("keys", "*", patches=False))
    assert [track.name for track in file.tracks] == ["A Song"]


def test_patches_stand_on_their_bar_lines_and_are_not_repeated():
    a_song = song(
        section("Intro", 1, (1, 1, PatchChange("organ", "Soft")), (1, 1, PatchChange("far", "9"))),
        section(
            "Verse", 1, (1, 1, PatchChange("organ", "12")), (1, 3, ControllerSend("organ", 11, 90))
        ),
        section(
            "Out",
            2,
            (2, 1, ControllerSend("organ", 7, 1)),
            (2, 1, SysexSend("organ", b"\xf0\x7d\x01\xf7")),
            (2, 1, PatchChange("organ", "13")),
        ),
        count_in=CountIn(bars=1),
    )
    organ = [
        (tick / TICKS_PER_QUARTER, message.hex())
        for tick, message in absolute(read(a_song).tracks[1])
        if not message.is_meta
    ]
    assert organ == [
        (4, "C2 0B"),
        (10, "B2 0B 5A"),
        (16, "C2 0C"),
        (16, "B2 07 01"),
        (16, "F0 7D 01 F7"),
    ]


def test_bank_goes_before_the_program():
    synth = Instrument("synth", "keys", 1, Panel(banks=BankCount.FROM_1))
    a_song = song(section("Verse", 1, (1, 1, PatchChange("synth", "130/17"))))
    data = song_smf(lay_out(a_song), Rig(ports=(KEYS,), instruments=(synth,)), KEYS)
    assert bytes.fromhex("00b00001 002001 00c010") in data  # the file uses running status


def test_markers_name_each_part_once():
    a_song = song(
        section("Intro", 1, mark="A", vamp_usual=3),
        section("Verse", 1, mark="B", passes=2),
        section("Brücke", 2, (1, 2, Hold(Fraction(2)))),
        count_in=CountIn(bars=1),
        pickup=Span(beats=Fraction(1)),
    )
    found = [(t / TICKS_PER_QUARTER, m.text) for t, m in of_type(read(a_song).tracks[0], "marker")]
    assert found == [
        (0, "count-in"),
        (3, "pickup"),
        (4, "A Intro"),
        (16, "B Verse (1 of 2)"),
        (20, "B Verse (2 of 2)"),
        (24, "Brücke"),
    ]
    assert [(float(s), text) for _, s, text in marks(lay_out(a_song))][2:4] == [
        (0.0, "A Intro"),
        (6.0, "B Verse (1 of 2)"),
    ]


def test_text_cues_are_cue_points():
    file = read(song(section("Verse", 2, (2, 1, TextCue("Big ending")))))
    assert [(t, m.text) for t, m in of_type(file.tracks[0], "cue_marker")] == [
        (4 * TICKS_PER_QUARTER, "Big ending")
    ]


def test_one_tempo_event_for_a_steady_song():
    parts = (section("A", 8), section("B", 8, passes=2))
    opening = {"count_in": CountIn(bars=1), "pickup": Span(beats=Fraction(1))}
    file = read(song(*parts, tempo_qpm=Fraction(97), **opening))
    assert [(t, m.tempo) for t, m in of_type(file.tracks[0], "set_tempo")] == [(0, 618_557)]


def test_a_steady_tempo_moves_by_one_rather_than_drift():
    # 130 to the minute is 461538.46 us: the whole number loses 0.46 us a quarter, 3 ms here.
    a_song = song(*(section("A", 25) for _ in range(64)), tempo_qpm=Fraction(130))
    file = read(a_song)
    tempi = [message.tempo for _, message in of_type(file.tracks[0], "set_tempo")]
    assert set(tempi) == {461_538, 461_539}
    (end_s,) = seconds_at(file, [6400 * TICKS_PER_QUARTER])
    assert abs(end_s - Fraction(6400 * 60, 130)) <= Fraction(LATE_US_MAX, 1_000_000)


def test_steps_and_modulations_are_one_event_each():
    parts = (
        section("A", 1, (1, 3, TempoStep(Fraction(100)))),
        section("B", 1, (1, 1, Modulation(Fraction(3, 2), Fraction(1)))),
    )
    file = read(song(*parts))
    found = [(t / TICKS_PER_QUARTER, m.tempo) for t, m in of_type(file.tracks[0], "set_tempo")]
    assert found == [(0, 500_000), (2, 600_000), (4, 900_000)]


def test_a_ramp_is_one_event_a_clock_and_ends_on_time():
    ramp = Ramp(Fraction(180), Span(bars=4))
    a_song = song(section("A", 4, (1, 1, ramp)), section("B", 4))
    route = lay_out(a_song)
    file = read(a_song)
    ticks = [tick for tick, _ in of_type(file.tracks[0], "set_tempo")]
    assert ticks == [clock * TICKS_PER_CLOCK for clock in range(16 * 24 + 1)]
    leg = route.legs[0]
    for tick, file_s in zip(ticks, seconds_at(file, ticks), strict=True):
        exact_s = leg.tempo_map.seconds_at(tick)
        assert abs(file_s - exact_s) < Fraction(1, 20_000_000)  # 1/48 us and the rounding of floats


def test_a_hold_is_a_bar_of_its_own_with_its_exact_length():
    a_song = song(
        section("A", 2, (1, 3, Hold(Fraction(5, 2), count_beats=2))), tempo_qpm=Fraction(97)
    )
    file = read(a_song)
    signatures = [
        (t / TICKS_PER_QUARTER, m.numerator, m.denominator)
        for t, m in of_type(file.tracks[0], "time_signature")
    ]
    # Three beats of the bar, a hold of four quarters, two counted beats, the last beat, bar 2.
    assert signatures == [(0, 3, 4), (3, 4, 4), (7, 2, 4), (9, 1, 4), (10, 4, 4)]
    start, end = seconds_at(file, [3 * TICKS_PER_QUARTER, 7 * TICKS_PER_QUARTER])
    assert abs(end - start - Fraction(5, 2)) < Fraction(2, 1_000_000)


def test_holds_of_no_length_and_of_too_much():
    nothing = song(section("A", 1, (1, 4, Hold(Fraction(0)))))
    assert [placed.leg.kind for placed in file_steps(lay_out(nothing))] == [LegKind.SECTION]
    with pytest.raises(ShowError, match="the hold in A lasts 1025 s; a MIDI file can hold 1024 s"):
        read(song(section("A", 1, (1, 4, Hold(Fraction(1025))))))


def test_a_count_in_that_the_pickup_completes_is_one_bar_with_it():
    file = read(song(section("A", 1), count_in=CountIn(bars=1), pickup=Span(beats=Fraction(1))))
    assert [t for t, _ in of_type(file.tracks[0], "time_signature")] == [0]


def test_a_gap_that_the_format_cannot_hold_is_refused():
    bars = DELTA_MAX // (4 * TICKS_PER_QUARTER) + 1
    with pytest.raises(ShowError, match="goes on for more than 13315 quarters"):
        read(song(section("A", bars)))


@pytest.mark.parametrize(
    ("meter", "clocks"),
    [
        ((4, 4), 24),
        ((6, 8), 36),
        ((2, 2), 48),
        ((7, 8, (2, 2, 3)), 12),
        ((5, 64), 3),
        ((4, 1, (4,)), 96),
        ((9, 1, (3, 3, 3)), 96),
    ],
)
def test_metronome_clicks(meter, clocks):
    assert click_clocks(Meter.of(*meter)) == clocks


@pytest.mark.parametrize(
    ("rate", "start", "expected"),
    [
        # The count-in of four quarters at 120 begins two seconds before the code's start.
        (CodeRate.FPS_25, 90_000, (25, 0, 59, 58, 0, 0)),
        (CodeRate.FPS_24, 0, (24, 23, 59, 58, 0, 0)),
        (CodeRate.DROP, 107_892, (29.97, 0, 59, 58, 0, 5)),  # 59.94 code frames
        (CodeRate.NON_DROP, 108_000, (30, 0, 59, 58, 0, 5)),
    ],
)
def test_the_time_code_at_the_beginning(rate, start, expected):
    coded = song(section("A", 1), count_in=CountIn(bars=1), time_code=TimeCode(rate, start))
    wanting = replace(KEYS, time_code=True)
    ((tick, found),) = of_type(read(coded, wanting).tracks[0], "smpte_offset")
    assert tick == 0
    label = (found.hours, found.minutes, found.seconds, found.frames, found.sub_frames)
    assert (found.frame_rate, *label) == expected
    assert not of_type(read(coded).tracks[0], "smpte_offset")
    assert not of_type(read(song(section("A", 1)), wanting).tracks[0], "smpte_offset")
