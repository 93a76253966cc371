"""Time code runs with the music: as MIDI and as sound, on its frames, wherever the song goes."""

import itertools
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from building import RIG, Engine, item, play, program_of, section, show_of, song
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from ltc_reader import decoded

from syncbox.audio.ltc import word, word_length
from syncbox.audio.voices import click_voices
from syncbox.engine.script import CueScript
from syncbox.engine.transport import Command, packed
from syncbox.midi.timecode import full_message, named_frame, quarter_frame
from syncbox.schedule.compile import compile_show
from syncbox.schedule.entry import StartAt
from syncbox.score.rig import Mix, SetEntry, SetList, Then
from syncbox.score.song import ControllerSend, CountIn, Hold, PatchChange, TempoStep
from syncbox.score.timecode import CodeRate, SetTimeCode, TimeCode, label_of, shown
from syncbox.units import round_half_up

RATE = 48_000
PORT, LATE_PORT = 0, 2
CODE_RIG = replace(
    RIG,
    ports=tuple(
        replace(port, time_code=index != 1, offset_ms=Fraction(-3 if index == PORT else 4))
        for index, port in enumerate(RIG.ports)
    ),
    mixes=(*RIG.mixes, Mix("recorder", (4,), {"time-code": 0.0}, ceiling_db=0.0)),
)
OUTPUT, EARLY, LATE = 3, -144, 192
HOUR_25 = TimeCode(CodeRate.FPS_25, 90_000)


def coded(*sections, code=HOUR_25, **more):
    return song(*sections, time_code=code, **more)


def program(*songs, **more):
    return program_of(*songs, rig=CODE_RIG, **more)


def quarters(played, port=PORT):
    """(frame, bytes) of the quarter frames of a port."""
    return [
        (frame, data)
        for frame, at, data, why in played.midi
        if (at, why) == (port, "time code") and data[0] == 0xF1
    ]


def messages(played, port=PORT):
    """(frame, bytes) of the full messages of a port."""
    return [
        (frame, data)
        for frame, at, data, why in played.midi
        if (at, why) == (port, "time code") and data[0] == 0xF0
    ]


def sounds(part):
    """Whether a code runs all through: only on its edges it is zero."""
    return np.convolve(part == 0.0, np.ones(3), "valid").max() <= 1


@pytest.mark.parametrize("rate", CodeRate)
@pytest.mark.parametrize("tempo", [Fraction(120), Fraction(997, 10)])
def test_quarter_frames_lie_on_their_exact_frames(rate, tempo):
    code = TimeCode(rate, 2 * rate.nominal)
    played = play(program(coded(section("A", 4), code=code, tempo=tempo)))
    start = played.frames("clock", 2)[0] - LATE  # a clock of the port that has no free clock
    interval = word_length(rate, RATE) / 4
    end = start + round_half_up(16 * 60 / tempo * RATE)
    expected = []
    while (frame := start + round_half_up(len(expected) * interval)) < end:
        named, piece = named_frame(4 * code.start + len(expected))
        expected.append((frame + EARLY, quarter_frame(named, piece, rate)))
    assert quarters(played) == expected
    assert [(f - EARLY + LATE, d) for f, d in expected] == quarters(played, LATE_PORT)
    assert not quarters(played, 1)
    # The place is told before, in time for a slow reader.
    [(frame, data)] = messages(played)
    assert data == full_message(code.start, rate)
    assert start + EARLY - 480 <= frame < start + EARLY - 160


@pytest.mark.parametrize("rate", CodeRate)
def test_the_sound_is_the_code_of_the_song(rate):
    code = TimeCode(rate, 3600 * rate.nominal if not rate.drops else 107_892)
    played = play(program(coded(section("A", 2), code=code, tempo=Fraction(101))))
    start = played.frames("clock", 2)[0] - LATE
    heard = decoded(played.audio[OUTPUT], word_length(rate, RATE))
    assert len(heard) >= rate.nominal * 4
    offset = (heard[0][1] - start) / float(word_length(rate, RATE))
    first = code.start + round(offset)
    for number, (bits, begins, _) in enumerate(heard, first):
        assert bits == word(number, rate)
        assert abs(begins - start - (number - code.start) * word_length(rate, RATE)) <= 3


def test_it_is_silent_before_and_after_the_music():
    played = play(program(coded(section("A", 1), count_in=CountIn(bars=1))))
    start = played.frames("clock", 2)[0] - LATE
    row = played.audio[OUTPUT]
    assert not row[:start].any()
    assert not row[start + 4 * 24_000 :].any()
    assert sounds(row[start : start + 4 * 24_000])


def test_in_the_count_in_it_runs_up_to_the_start():
    code = replace(HOUR_25, in_count=True)
    played = play(program(coded(section("A", 1), count_in=CountIn(bars=1), code=code)))
    start = played.frames("clock", 2)[0] - LATE
    sent = quarters(played)
    assert sent[0] == (start - 96_000 + EARLY, quarter_frame(90_000 - 50, 0, code.rate))
    assert (start + EARLY, quarter_frame(90_000, 0, code.rate)) in sent
    gaps = np.diff([frame for frame, _ in sent])
    assert set(gaps) == {480}
    assert len(messages(played)) == 1


TWISTED = (
    section("Intro", 1, vamp_usual=2),
    section("A", 2, item(TempoStep(Fraction(137)), 2)),
    section("B", 2, item(Hold(usual_seconds=Fraction(1, 3)), 1, 4)),
    section("C", 1),
)


@pytest.mark.parametrize("block_frames", [64, 777, 8192])
def test_the_size_of_the_blocks_does_not_matter(block_frames):
    whole = program(coded(*TWISTED, count_in=CountIn(beats=2)))
    script = CueScript(rounds=(3,), hold_seconds=(Fraction(2, 3),))
    played = play(whole, script=script, block_frames=block_frames)
    other = play(whole, script=script, block_frames=1000)
    sent = [row for row in played.midi if row[3] == "time code"]
    assert sent == [row for row in other.midi if row[3] == "time code"]
    length = min(played.audio.shape[1], other.audio.shape[1])
    assert np.array_equal(played.audio[OUTPUT, :length], other.audio[OUTPUT, :length])


def test_as_usual_it_runs_through_vamp_hold_and_tempi_without_a_seam():
    played = play(program(coded(*TWISTED)))
    assert len(messages(played)) == 1
    assert set(np.diff([frame for frame, _ in quarters(played)])) == {480}


def test_a_vamp_and_a_hold_that_last_longer_bring_it_back_to_its_place():
    script = CueScript(rounds=(4,), hold_seconds=(Fraction(4, 3),))
    whole = program(coded(*TWISTED))
    played = play(whole, script=script)
    usual = play(whole)
    rate = HOUR_25.rate
    found = [data for _, data in messages(played)]
    # Rounds 3 and 4 of the vamp are where round 2 is, and what follows joins on to them.
    again = full_message(90_000 + 50 + 2, rate)
    assert found[:3] == [full_message(90_000, rate), again, again]
    # After a hold that lasted a second too long, the place is told again.
    assert len(found) == 4
    # The last section has the same code in both.
    last = [data for _, data in quarters(played)][-100:]
    assert last == [data for _, data in quarters(usual)][-100:]
    # While the hold was longer than usual, time stood still.
    gaps = np.diff([frame for frame, _ in quarters(played)])
    assert max(gaps) > 48_000
    assert set(gaps) - {480} == {gap for gap in gaps if gap > 480}


def test_stop_stops_it_and_start_tells_the_place_again():
    engine = Engine(program(coded(section("A", 8))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 3)
    stopped = engine.state.next_frame
    engine.press(Command.STOP)
    engine.turn(400)
    assert max(frame for frame, _ in quarters(engine)) < stopped
    assert max(frame for frame, _ in quarters(engine, LATE_PORT)) < stopped + LATE
    sound = np.concatenate(engine.audio, axis=1)[OUTPUT]
    assert sounds(sound[stopped - 100 : stopped])
    assert not sound[stopped:].any()
    engine.press(Command.START)
    engine.turn(100)
    again = [frame for frame, _ in messages(engine) if frame > stopped]
    first = next(row for row in quarters(engine) if row[0] > stopped)
    assert len(again) == 1
    assert again[0] < first[0]
    assert first[1] == quarter_frame(90_000, 0, HOUR_25.rate)


def test_stop_at_the_bar_line_stops_it_there():
    engine = Engine(program(coded(section("A", 8))), block_frames=1000)
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 2)
    engine.press(Command.STOP_AT_BAR)
    engine.turn(200)
    start = engine.frames("clock", 2)[0] - LATE
    sound = np.concatenate(engine.audio, axis=1)[OUTPUT]
    assert sounds(sound[start : start + 2 * 96_000])
    assert not sound[start + 2 * 96_000 :].any()
    assert max(frame for frame, _ in quarters(engine)) == start + 2 * 96_000 - 480 + EARLY


def test_a_jump_tells_the_new_place_before_it_runs_on():
    engine = Engine(program(coded(section("A", 4), section("B", 4), section("C", 4))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 2)
    engine.press(packed(Command.JUMP_AT_BAR, 2))
    engine.turn_until(lambda now: now.section_index == 2 and now.bar == 2)
    start = engine.frames("clock", 2)[0] - LATE
    line = start + 2 * 96_000 + EARLY
    frame, data = messages(engine)[-1]
    assert line <= frame < line + 480
    # C lies 16 s into the song; the label after it begins once the place has been told.
    named = 90_000 + 16 * 25 + 2
    assert data == full_message(named, HOUR_25.rate)
    after = [row for row in quarters(engine) if row[0] >= line]
    assert after[0] == (line + 2 * 1920, quarter_frame(named, 0, HOUR_25.rate))
    # Nothing of A comes after the bar line.
    assert [row[0] for row in quarters(engine) if line - 480 < row[0] < line + 3840] == []


def test_after_a_dropout_it_goes_on_where_it_would_be():
    engine = Engine(program(coded(section("A", 8))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 2)
    lost = engine.state.next_frame
    engine.state.skip_to(lost + 5000)
    engine.turn(400)
    start = engine.frames("clock", 2)[0] - LATE
    for frame, data in quarters(engine):
        assert not lost <= frame < lost + 5000
        quarter, off = divmod(frame - EARLY - start, 480)
        assert off == 0
        named, piece = named_frame(4 * 90_000 + quarter)
        assert data == quarter_frame(named, piece, HOUR_25.rate)
    assert len(messages(engine)) == 1


def test_another_tempo_on_the_night_does_not_disturb_it():
    engine = Engine(program(coded(section("A", 8))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 2)
    engine.press(Command.TEMPO_UP)
    engine.turn_until(lambda now: now.bar == 6)
    assert len(messages(engine)) == 1
    assert set(np.diff([frame for frame, _ in quarters(engine)])) == {480}


def test_a_start_in_the_middle_has_the_code_of_the_place():
    whole = coded(section("A", 4), section("B", 4), count_in=CountIn(bars=1))
    played = play(program(whole, start=StartAt(0, "B")))
    assert quarters(played)[0][1] == quarter_frame(90_000 + 8 * 25, 0, HOUR_25.rate)
    early = replace(whole, time_code=replace(HOUR_25, in_count=True))
    played = play(program(early, start=StartAt(0, "B")))
    assert quarters(played)[0][1] == quarter_frame(90_000 + 6 * 25, 0, HOUR_25.rate)
    assert set(np.diff([frame for frame, _ in quarters(played)])) == {480}


@pytest.mark.parametrize(
    ("apart", "labels"),
    [
        (None, ["01:00:00:00", "01:00:10:00", "01:00:20:00"]),
        (Fraction(300), ["01:00:00:00", "01:05:00:00", "01:10:00:00"]),
    ],
)
def test_the_code_of_a_set_runs_from_song_to_song(apart, labels):
    one = song(section("A", 4), count_in=CountIn(bars=1))
    show = show_of(one, one, replace(one, count_in=CountIn()), rig=CODE_RIG)
    entries = tuple(replace(entry, then=Then.SEGUE) for entry in show.set_list.entries)
    show = replace(show, set_list=SetList("x", entries, None, SetTimeCode(HOUR_25, apart)))
    compiled = compile_show(show, RATE, {}, click_voices(RATE))
    codes = [each.time_code for each in compiled.songs]
    assert [shown(label_of(code.start, code.rate), code.rate) for code in codes][:2] == labels[:2]
    assert codes[2].start == (90_000 + 18 * 25 if apart is None else 90_000 + 600 * 25)
    played = play(compiled, songs=3)
    told = [data for _, data in messages(played)]
    assert told[0] == full_message(90_000, HOUR_25.rate)
    assert len(told) == 3


@pytest.mark.parametrize("tempo", [113, 117, 121, 124])
def test_after_a_gap_of_nothing_the_next_place_is_told_when_the_last_song_is_over(tempo):
    """A gap of some frames is too short to be told a place in while the code still runs."""
    one = coded(section("A", 1), tempo=tempo)
    entries = (SetEntry("song-0", Then.GAP, Fraction(1, 1000)), SetEntry("song-1"))
    engine = Engine(program(one, coded(section("A", 1)), entries=entries))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.songs_over == 1)
    engine.turn(60)
    told = messages(engine)
    last = max(frame for frame, _ in quarters(engine) if frame < told[1][0])
    assert told[1][0] > last
    assert quarters(engine)[-1][0] > told[1][0]
    after = next(row for row in quarters(engine) if row[0] > told[1][0])
    assert after[1][1] >> 4 == 0
    assert after[0] - told[1][0] >= 480 - 48


def test_a_song_without_code_is_silent():
    played = play(
        program(song(section("A", 1)), coded(section("A", 1)), entries=(SetEntry("song-0"),))
    )
    assert not quarters(played)
    assert not played.audio[OUTPUT].any()


def test_patches_leave_between_the_quarter_frames():
    """On a DIN cable no byte of a patch may delay a quarter frame."""
    changes = [item(PatchChange("organ", f"{n}"), n) for n in range(2, 40)]
    changes += [item(PatchChange("lead", f"{n}"), n) for n in range(2, 40)]
    code = TimeCode(CodeRate.FPS_30, 0)
    played = play(program(coded(section("A", 40, *changes), code=code, tempo=Fraction(161))))
    taken = []
    for frame, port, data, why in played.midi:
        if port == PORT and why in ("time code", "patch"):
            taken.append((frame, frame + len(data) * 320e-6 * RATE, why))
    assert sum(why == "patch" for *_, why in taken) > 70
    for (_, before_end, before), (begins, _, why) in itertools.pairwise(taken):
        if "time code" in (before, why) and before != why:
            assert begins >= before_end - 1


@pytest.mark.parametrize("tempo", [Fraction(161), Fraction(400)])
def test_a_burst_between_the_quarter_frames_is_over_at_the_bar_line(tempo):
    sends = [
        item(what, bar)
        for bar in range(2, 30)
        for what in (
            PatchChange("organ", f"{bar}"),
            PatchChange("lead", f"{bar}"),
            *(ControllerSend("organ", number, bar) for number in range(20, 32)),
        )
    ]
    code = TimeCode(CodeRate.FPS_30, 0)
    played = play(program(coded(section("A", 30, *sends), code=code, tempo=tempo)))
    start = played.frames("clock", 2)[0] - LATE
    bar = 4 * 60 / tempo * RATE
    ends = [
        frame + len(data) * 320e-6 * RATE
        for frame, port, data, why in played.midi
        if port == PORT and why == "controller"
    ]
    assert len(ends) == 28 * 12
    for number in range(28):
        line = start + (number + 1) * bar + EARLY
        last = max(ends[12 * number : 12 * number + 12])
        assert line - 0.06 * RATE < last <= line + 1


_PRESSES = st.sampled_from(
    [
        Command.START,
        Command.STOP,
        Command.STOP_AT_BAR,
        Command.CUE,
        Command.TEMPO_UP,
        Command.REPEAT_SECTION,
        *(packed(Command.JUMP_AT_BAR, n) for n in range(3)),
        *(packed(Command.JUMP_AT_END, n) for n in range(3)),
    ]
)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.integers(0, 400), _PRESSES), max_size=10))
def test_whatever_is_pressed_a_reader_is_never_misled(script):
    """Quarter frames come one by one in their order, and a place is told before it begins."""
    hold = item(Hold(usual_seconds=Fraction(1, 2)), 1, 4)
    sections = (section("A", 2), section("V", 1, vamp_usual=2), section("C", 2, hold))
    engine = Engine(program(coded(*sections, tempo=150)))
    engine.press(Command.START)
    for wait, press in script:
        engine.turn(wait)
        engine.press(press)
    engine.turn(300)
    for port in (PORT, LATE_PORT):
        told, before = None, None
        for frame, at, data, why in engine.midi:
            if (at, why) != (port, "time code"):
                continue
            if data[0] == 0xF0:
                told, before = data, None
                continue
            assert told is not None
            piece = data[1] >> 4
            if before is None:
                # The first piece after a full message names the very code frame that was told.
                assert piece == 0
                assert data[1] & 15 == told[8] & 15
            else:
                assert frame - before[0] == 480
                assert piece == (before[1] + 1) % 8
            before = (frame, piece)
