"""The engine led by another box: every clock once, in order, on the leader's grid."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from building import Engine, item, program_of, section, song
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from leading import (
    CONTINUE,
    MS,
    PRE,
    RATE,
    START,
    STOP,
    TAIL,
    Box,
    box_from,
    clicks,
    clock_frames,
    engine_of,
    errors_ms,
    follow_box,
    plain,
    told,
)

from syncbox.engine.servo import Lock
from syncbox.engine.transport import Command, State, packed
from syncbox.score.meter import Meter
from syncbox.score.song import (
    AudioKind,
    Hold,
    MeterChange,
    PlayAudio,
    Ramp,
    Song,
    Span,
    TempoStep,
)

NOTICEABLE = 6 * MS  # A. Friberg, J. Sundberg, J. Acoust. Soc. Am. 98(5), 1995


def led(written: Song, tempi_qpm: list[float], *, jitter_ms: float = 0.0, seed: int = 0) -> tuple:
    """A song from its start to the leader's stop; the frames where the leader truly is."""
    engine, box = engine_of(written), Box()
    frames = clock_frames(5_000, [tempi_qpm[0]] * PRE + tempi_qpm)
    late = np.random.default_rng(seed).uniform(-jitter_ms, jitter_ms, len(frames)) * MS
    box.clocks(frames, late)
    box.say(frames[PRE] - 300, START)
    box.say(frames[-1] + 400, STOP)
    follow_box(engine, box, int(frames[-1]) + 20_000)
    return engine, frames[PRE:]


def test_the_first_downbeat_is_foretold_and_start_leaves_before_it() -> None:
    engine, true = led(plain(), [120.0] * 400)
    clocks, starts = engine.frames("clock"), engine.frames("start")
    assert clocks[0] == true[0]
    assert clocks[0] - starts[0] >= RATE // 1000
    between = [f for f in engine.frames("clock stopped") if starts[0] <= f < clocks[0]]
    assert not between
    assert told(engine) == ["start", "stop"]
    assert np.max(np.abs(errors_ms(engine, true))) < 0.02
    assert list(clicks(engine)) == [round(frame) for frame in true[::24]]


@pytest.mark.parametrize("qpm", [110.0, 120.0, 131.0])
def test_the_grid_of_a_leader_at_another_tempo(qpm: float) -> None:
    engine, true = led(plain(), [qpm] * 700, jitter_ms=3, seed=5)
    late = errors_ms(engine, true)
    assert np.max(np.abs(late)) < 6
    assert np.max(np.abs(late[96:])) < 1.5
    assert engine.state.now.leader_mqpm == pytest.approx(qpm * 1000, rel=2e-3)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    qpm=st.floats(100, 140),
    jitter_ms=st.floats(0, 5),
    seed=st.integers(0, 1000),
    lead=st.integers(10, 900),
)
def test_whatever_the_jitter_every_clock_is_sent_once_and_the_click_holds_the_grid(
    qpm: float, jitter_ms: float, seed: int, lead: int
) -> None:
    engine, box = engine_of(plain()), Box()
    frames = clock_frames(5_000, [qpm] * 360)
    box.clocks(frames, np.random.default_rng(seed).uniform(-jitter_ms, jitter_ms, 360) * MS)
    box.say(frames[PRE] - min(lead, 60 * RATE / 24 / qpm - 1), START)
    box.say(frames[-1] + 400, STOP)
    follow_box(engine, box, int(frames[-1]) + 20_000)
    clocks, true = engine.frames("clock"), frames[PRE:]
    assert len(clocks) == len(true)
    assert clocks == sorted(clocks)
    assert told(engine) == ["start", "stop"]
    assert clocks[0] - engine.frames("start")[0] >= RATE // 1000
    found = clicks(engine)
    assert len(found) == 13  # 300 clocks
    # after two beats of settling from a tempo that may be a sixth off the map
    assert np.max(np.abs(found[2:] - true[::24][2:])) < NOTICEABLE
    assert len(engine.frames("clock", 2)) == len(true)


def test_without_a_clock_before_start_the_first_beat_comes_at_once() -> None:
    engine, box = engine_of(plain()), Box()
    frames = clock_frames(5_000, [124.0] * 300)
    box.clocks(frames)
    box.say(frames[0] - 48, START)
    follow_box(engine, box, int(frames[-1]) - TAIL)
    late = errors_ms(engine, frames[:-1])
    assert 0 <= late[0] < 8  # a block, and the millisecond between Start and its clock
    assert np.max(np.abs(late[48:])) < 1
    assert engine.state.now.leader_lock == Lock.LOCKED


def test_a_map_of_steps_ramps_and_short_bars_is_followed_without_error() -> None:
    written = song(
        section("A", 3, item(Ramp(Fraction(150), Span(bars=2)), 2)),
        section("B", 3, item(MeterChange(Meter.of(5, 64)), 2), item(TempoStep(Fraction(90)), 3)),
        section("C", 2, item(TempoStep(Fraction(132)))),
    )
    alone = Engine(program_of(written))
    alone.press(Command.START)
    alone.turn_until(lambda now: now.sets_over == 1)
    own = np.array(alone.frames("clock"), dtype=np.float64) + 100_000
    engine, box = engine_of(written), Box()
    frames = np.concatenate([own[0] - 1000 * np.arange(PRE, 0, -1), own])
    box.clocks(frames)
    box.say(frames[PRE] - 300, START)
    follow_box(engine, box, int(frames[-1]) + 20_000)
    assert len(engine.frames("clock")) == len(own)
    assert np.max(np.abs(errors_ms(engine, own))) < 0.2


def test_a_ramp_that_the_map_does_not_know_stays_below_what_is_heard() -> None:
    tempi = [120.0] * 192 + list(np.linspace(120, 132, 384)) + [132.0] * 100
    engine, true = led(plain(8), tempi)
    assert np.max(np.abs(errors_ms(engine, true))) < 6


@pytest.mark.parametrize(("lost", "lock"), [(1, Lock.LOCKED), (24, Lock.LISTENING)])
def test_clocks_lost_on_the_way_are_bridged(lost: int, lock: Lock) -> None:
    engine, box = engine_of(plain(8)), Box()
    frames = clock_frames(5_000, [121.0] * 500)
    heard = np.delete(frames, range(300, 300 + lost))
    box.clocks(heard)
    box.say(frames[PRE] - 300, START)
    follow_box(engine, box, int(frames[300 + lost]) + 3_000)
    assert engine.state.now.leader_lock == lock
    follow_box(engine, box_from(box, engine.state.next_frame), int(frames[-1]) - TAIL)
    assert np.max(np.abs(errors_ms(engine, frames[PRE:-1])[100:])) < 0.5
    assert engine.state.leader is not None
    assert engine.state.leader.missed == lost


def test_a_doubled_clock_counts_once() -> None:
    engine, box = engine_of(plain(8)), Box()
    frames = clock_frames(5_000, [121.0] * 500)
    box.clocks(np.sort(np.concatenate([frames, frames[200:400:7] + 96])))
    box.say(frames[PRE] - 300, START)
    follow_box(engine, box, int(frames[-1]) - TAIL)
    assert np.max(np.abs(errors_ms(engine, frames[PRE:-1])[100:])) < 0.2


def test_a_leader_that_goes_away_leaves_the_band_playing_and_comes_back() -> None:
    engine, box = engine_of(plain(8)), Box()
    frames = clock_frames(5_000, [121.0] * 600)
    box.clocks(np.delete(frames, range(200, 400)))
    box.say(frames[PRE] - 300, START)
    follow_box(engine, box, int(frames[399]))
    assert engine.state.now.leader_lock == Lock.GONE
    assert engine.state.transport == State.ROLLING
    follow_box(engine, box_from(box, engine.state.next_frame), int(frames[-1]) - TAIL)
    assert np.max(np.abs(errors_ms(engine, frames[PRE:-1])[100:])) < 3
    assert engine.state.now.leader_lock == Lock.LOCKED


def test_stop_and_continue_go_on_with_the_next_clock() -> None:
    engine, box = engine_of(plain()), Box()
    frames = clock_frames(5_000, [118.0] * 500)
    box.clocks(frames)
    box.say(frames[PRE] - 300, START)
    box.say(frames[200] + 200, STOP)
    box.say(frames[300] - 300, CONTINUE)
    follow_box(engine, box, int(frames[-1]) - TAIL)
    clocks = engine.frames("clock")
    true = np.concatenate([frames[PRE:201], frames[300:-1]])
    assert len(clocks) == len(true)
    assert np.max(np.abs(clocks - true)) < MS
    assert told(engine) == ["start", "stop", "continue"]
    beats = np.concatenate([frames[PRE:201:24], frames[300 + 23 - (200 - PRE) % 24 : -1 : 24]])
    assert np.max(np.abs(clicks(engine) - beats)) < MS


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    seed=st.integers(0, 1000),
    breaks=st.lists(st.tuples(st.integers(5, 120), st.integers(2, 90)), min_size=1, max_size=3),
)
def test_however_often_the_leader_stops_no_clock_is_sent_twice_or_left_out(
    seed: int, breaks: list[tuple[int, int]]
) -> None:
    engine, box = engine_of(plain(8)), Box()
    frames = clock_frames(5_000, [126.0] * 800)
    box.clocks(frames, np.random.default_rng(seed).uniform(-3, 3, 800) * MS)
    at, counted = PRE, 0
    box.say(frames[at] - 300, START)
    for played, still in breaks:
        at, counted = at + played, counted + played
        box.say(frames[at] - 500, STOP)
        at += still
        box.say(frames[at] - 300, CONTINUE)
    box.say(frames[at + 50] - 500, STOP)
    follow_box(engine, box, int(frames[at + 60]))
    clocks = engine.frames("clock")
    assert len(clocks) == counted + 50
    assert clocks == sorted(clocks)
    assert all(before != after for before, after in pairwise(told(engine)))


def test_a_vamp_and_a_hold_wait_for_the_cue_and_go_on_on_the_leaders_clock() -> None:
    written = song(
        section("V", 1, vamp_usual=2),
        section("A", 2, item(Hold(), 2)),
        section("B", 4),
    )
    engine, box = engine_of(written), Box()
    frames = clock_frames(5_000, [123.0] * 1200)
    box.clocks(frames, np.random.default_rng(2).uniform(-3, 3, 1200) * MS)
    box.say(frames[PRE] - 300, START)
    follow_box(engine, box, int(frames[PRE + 3 * 96 - 40]))  # in the third round
    engine.press(Command.CUE)
    rest = box_from(box, engine.state.next_frame)
    follow_box(engine, rest, int(frames[PRE + 4 * 96 + 70]))
    assert engine.state.transport == State.HOLDING
    before = len(engine.frames("clock"))
    assert before == 4 * 96 + 24
    engine.press(Command.CUE)
    follow_box(engine, box_from(box, engine.state.next_frame), int(frames[-1]) - TAIL)
    clocks = np.array(engine.frames("clock"))
    assert len(clocks) == 4 * 96 + 5 * 96
    nearest = frames[np.searchsorted(frames + 500, clocks)]
    assert np.max(np.abs(clocks - nearest)) < 2 * MS
    assert len(set(nearest)) == len(clocks)
    assert told(engine) == ["start", "stop", "continue", "stop"]


def test_a_jump_at_a_bar_line_keeps_to_the_leaders_clock() -> None:
    engine, box = engine_of(plain(4)), Box()
    frames = clock_frames(5_000, [117.0] * 900)
    box.clocks(frames)
    box.say(frames[PRE] - 300, START)
    follow_box(engine, box, int(frames[PRE + 150]))
    engine.press(packed(Command.JUMP_AT_BAR, 1))
    follow_box(engine, box_from(box, engine.state.next_frame), int(frames[-1]))
    clocks = engine.frames("clock")
    assert len(clocks) == (2 + 4) * 96
    assert np.max(np.abs(clocks - frames[PRE : PRE + len(clocks)])) < MS


def test_a_stop_at_the_bar_line_moves_with_the_bar_line() -> None:
    engine, box = engine_of(plain(4)), Box()
    frames = clock_frames(5_000, [117.0] * 500)
    box.clocks(frames)
    box.say(frames[PRE] - 300, START)
    follow_box(engine, box, int(frames[PRE + 100]))
    engine.press(Command.STOP_AT_BAR)
    follow_box(engine, box_from(box, engine.state.next_frame), int(frames[-1]))
    assert len(engine.frames("clock")) == 2 * 96
    assert engine.state.transport == State.STOPPED


def test_loops_begin_anew_on_the_leaders_bars() -> None:
    loop = np.zeros((1, 90_000), dtype=np.float32)
    loop[0, :100] = 0.5
    written = song(section("A", 4, item(PlayAudio("l.wav", "pads", AudioKind.LOOP, every_bars=1))))
    engine, box = engine_of(written, clips={"l.wav": loop}), Box()
    frames = clock_frames(5_000, [110.0] * 450)
    box.clocks(frames)
    box.say(frames[PRE] - 300, START)
    follow_box(engine, box, int(frames[PRE + 380]))
    begins = clicks(engine, channel=2)
    assert np.max(np.abs(begins - frames[PRE : PRE + 380 : 96])) < 1.5 * MS
