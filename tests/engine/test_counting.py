"""Sticks and taps: hits become a tempo and a downbeat, exactly, or are refused."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import accumulate

import numpy as np
import pytest
from building import RIG, Engine, program_of, section, song
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from leading import FOLLOWING_RIG, RATE, clicks

from syncbox.engine.counting import SPREAD_PART, beats_before
from syncbox.engine.tapping import Said, line_through, tap_interval
from syncbox.engine.transport import Command, State, packed
from syncbox.score.controls import Control, Sign, SignKind
from syncbox.score.meter import Meter
from syncbox.score.song import CountIn, Song, Span
from syncbox.units import TICKS_PER_QUARTER, round_half_up


def plain(**more: object) -> Song:
    return song(section("A", 2), section("B", 2), **more)


def hit(engine: Engine, frames: list[int], command: Command = Command.HIT_STICK) -> None:
    """Hits at frames, each heard in the block in which it falls."""
    for frame in frames:
        while engine.state.next_frame + engine.block_frames <= frame:
            engine.turn()
        engine.press(packed(command, frame))


def said(engine: Engine) -> Said:
    return Said(engine.state.now.count_said)


@pytest.mark.parametrize("beat", [21_500, 24_000, 27_001])
def test_the_downbeat_falls_where_the_fifth_hit_would(beat: int) -> None:
    engine = Engine(program_of(plain(count_in=CountIn(bars=1))))
    hit(engine, [10_000 + beat * number for number in range(4)])
    assert said(engine) is Said.STARTED
    engine.turn_until(lambda now: now.sets_over == 1)
    sent = engine.frames("clock")
    exact = [10_000 + 4 * beat + Fraction(beat, 24) * number for number in range(4 * 96)]
    assert sent == [round_half_up(frame) for frame in exact]
    assert sent[0] - engine.frames("start")[0] >= RATE // 1000
    assert list(clicks(engine)) == sent[::24]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    beat=st.integers(22_000, 26_000),
    strays=st.lists(st.integers(-700, 700), min_size=4, max_size=4),
)
def test_a_human_count_is_evened_out(beat: int, strays: list[int]) -> None:
    hits = [20_000 + beat * number + by for number, by in enumerate(strays)]
    engine = Engine(program_of(plain()))
    hit(engine, hits)
    assert said(engine) is Said.STARTED
    engine.turn(200)
    slope, start = np.polyfit(np.arange(4), hits, 1)
    assert engine.frames("clock")[0] == pytest.approx(start + 4 * slope, abs=1)
    assert engine.state.stretch == pytest.approx(slope / 24_000)
    assert engine.state.now.trim_permille == round(1000 * 24_000 / slope - 1000)


def test_a_ragged_count_is_refused_and_the_next_one_counts() -> None:
    engine = Engine(program_of(plain()))
    hit(engine, [20_000, 44_000, 73_500, 92_000])
    assert said(engine) is Said.RAGGED
    assert engine.state.transport == State.STOPPED
    assert engine.state.stretch == 1
    hit(engine, [120_000 + 24_000 * number for number in range(4)])
    assert said(engine) is Said.STARTED


def test_the_limit_of_a_ragged_count() -> None:
    for by, verdict in ((0.99, Said.STARTED), (1.01, Said.RAGGED)):
        engine = Engine(program_of(plain()))
        # the second hit late by d: it stays 0.7 d from the line, which is 0.1 d a beat flatter
        limit = float(SPREAD_PART)
        stray = round(24_000 * limit * by / (0.7 + 0.1 * limit))
        frames = [20_000, 44_000 + stray, 68_000, 92_000]
        line = line_through([-4, -3, -2, -1], frames)
        assert (line.spread > SPREAD_PART * line.per_tick) is (verdict is Said.RAGGED)
        hit(engine, frames)
        assert said(engine) is verdict


@pytest.mark.parametrize(
    ("written", "rig", "beat", "verdict"),
    [
        (plain(), RIG, 24_000 * 100 // 86, Said.STARTED),
        (plain(), RIG, 24_000 * 100 // 84, Said.TOO_SLOW),
        (plain(), RIG, 24_000 * 100 // 116, Said.TOO_FAST),
        (plain(stick_start=(Fraction(60), Fraction(90))), RIG, 36_000, Said.STARTED),
        (plain(stick_start=(Fraction(60), Fraction(90))), RIG, 24_000, Said.TOO_FAST),
        (plain(), replace(RIG, stick_start=(Fraction(150), Fraction(200))), 24_000, Said.TOO_SLOW),
        (plain(), replace(RIG, stick_start=(Fraction(150), Fraction(200))), 18_000, Said.STARTED),
    ],
)
def test_the_range_is_that_of_the_song_or_the_rig_or_near_the_written_tempo(
    written: Song, rig: object, beat: int, verdict: Said
) -> None:
    engine = Engine(program_of(written, rig=rig))  # type: ignore[arg-type]
    hit(engine, [20_000 + beat * number for number in range(4)])
    assert said(engine) is verdict
    assert engine.state.now.count_milli == pytest.approx(60_000 * RATE / beat, abs=1)
    assert (engine.state.transport == State.STOPPED) is (verdict is not Said.STARTED)


@pytest.mark.parametrize(
    ("meter", "quarters"),
    [
        (Meter.of(4, 4), [-4, -3, -2, -1]),
        (Meter.of(3, 4), [-4, -3, -2, -1]),
        (Meter.of(6, 8), [-6, -4.5, -3, -1.5]),
        (Meter.of(7, 8, (2, 2, 3)), [-5, -3.5, -2.5, -1.5]),
        (Meter.of(5, 4, (3, 2)), [-10, -7, -5, -2]),
    ],
)
def test_the_hits_are_the_last_felt_beats_of_the_meter(meter: Meter, quarters: list[float]) -> None:
    program = program_of(plain(meter=meter))
    leg = next(leg for leg in program.songs[0].legs if leg.counted)
    ticks = [round(quarter * TICKS_PER_QUARTER) for quarter in quarters]
    assert beats_before(leg, 4) == ticks
    engine = Engine(program)
    frames = [300_000 + round(24_000 * quarter * 1.05) for quarter in quarters]
    hit(engine, frames)
    assert said(engine) is Said.STARTED
    engine.turn(300)
    assert engine.frames("clock")[0] == pytest.approx(300_000, abs=1)


def test_a_double_stroke_is_one_hit_and_a_pause_begins_anew() -> None:
    engine = Engine(program_of(plain()))
    hit(engine, [10_000, 34_000])
    assert engine.state.now.count_hits == 2
    hit(engine, [200_000])
    assert engine.state.now.count_hits == 1
    hit(engine, [200_900, 224_000, 248_000, 248_500, 272_000])
    assert said(engine) is Said.STARTED


def test_sticks_mean_nothing_while_music_plays_or_a_leader_is_followed() -> None:
    engine = Engine(program_of(plain()))
    engine.press(Command.START)
    hit(engine, [10_000 + 24_000 * number for number in range(4)])
    assert engine.state.now.refused_count == 4
    led = Engine(program_of(plain(), rig=FOLLOWING_RIG))
    hit(led, [10_000 + 24_000 * number for number in range(4)])
    assert led.state.now.refused_count == 4
    assert led.state.transport == State.STOPPED


def test_count_in_and_pickup_are_left_out() -> None:
    written = plain(count_in=CountIn(bars=2), pickup=Span(beats=Fraction(1)))
    engine = Engine(program_of(written))
    hit(engine, [10_000 + 24_000 * number for number in range(4)])
    engine.turn_until(lambda now: now.sets_over == 1)
    assert len(clicks(engine)) == 16
    assert clicks(engine)[0] == 106_000


@pytest.mark.parametrize("taps", [4, 6, 8, 12])
def test_taps_set_the_tempo_of_the_coming_song_only(taps: int) -> None:
    engine = Engine(program_of(plain(), plain()))
    hit(engine, [10_000 + 22_000 * number for number in range(taps)], Command.TAP_TEMPO)
    assert said(engine) is Said.TAPPED
    assert engine.state.now.trim_permille == round(1000 * 24 / 22 - 1000)
    before = len(engine.frames("clock stopped"))
    engine.turn(20)
    assert set(np.diff(engine.frames("clock stopped")[before - 1 :])) <= {916, 917}
    engine.press(Command.START)
    engine.turn_until(lambda now: now.transport == State.WAITING)
    assert set(np.diff(engine.frames("clock"))) <= {916, 917}
    engine.turn()
    assert engine.state.now.trim_permille == 0


@given(
    beat=st.integers(15_000, 40_000),
    stray=st.integers(-4_000, 4_000),
    which=st.integers(0, 7),
)
def test_one_stray_tap_does_nothing(beat: int, stray: int, which: int) -> None:
    taps = [beat * number for number in range(8)]
    taps[which] += stray
    assert tap_interval(taps) == beat


def test_taps_out_of_range_are_refused() -> None:
    for beat, verdict in ((40_000, Said.TOO_SLOW), (15_000, Said.TOO_FAST)):
        engine = Engine(program_of(plain()))
        hit(engine, [10_000 + beat * number for number in range(5)], Command.TAP_TEMPO)
        assert said(engine) is verdict
        assert engine.state.now.trim_permille == 0
    wide = Engine(program_of(plain(stick_start=(Fraction(30), Fraction(300)))))
    hit(wide, [10_000 + 15_000 * number for number in range(5)], Command.TAP_TEMPO)
    assert said(wide) is Said.TOO_FAST  # more than a fifth is another song


@given(
    ticks=st.lists(st.integers(1, 90_000), min_size=4, max_size=4),
    frames=st.lists(st.integers(0, 400_000), min_size=4, max_size=4),
)
def test_the_line_is_that_of_least_squares(ticks: list[int], frames: list[int]) -> None:
    places = list(accumulate(ticks))
    line = line_through(places, frames)
    slope, start = np.polyfit(places, frames, 1)
    assert float(line.per_tick) == pytest.approx(slope, abs=1e-6, rel=1e-6)
    assert float(line.downbeat) == pytest.approx(start, abs=0.01, rel=1e-6)


def test_a_pad_that_is_a_stick_counts_at_the_frame_of_its_hit() -> None:
    sticks = Control("sticks", "pads", Sign(SignKind.NOTE, 37, 37, 10))
    rig = replace(RIG, input_ports={"pads": "pads"}, controls=(sticks,))
    engine = Engine(program_of(plain(), rig=rig))
    for number in range(4):
        frame = 10_003 + 24_000 * number
        while engine.state.next_frame + 256 <= frame:
            engine.turn()
        engine.state.hear(frame - engine.state.next_frame, 0, bytes((0x99, 37, 100)))
        engine.state.hear(frame - engine.state.next_frame + 40, 0, bytes((0x99, 37, 0)))
        engine.turn()
    assert said(engine) is Said.STARTED
    engine.turn(200)
    assert engine.frames("clock")[0] == 10_003 + 4 * 24_000
