"""Being led by clock, start, continue, stop and song position, by the MIDI 1.0 rules.

*MIDI 1.0 Detailed Specification*, Document Version 4.2.1, MIDI Manufacturers
Association, 1996; the page is named at each check.
"""

from __future__ import annotations

import numpy as np
import pytest
from building import Engine, program_of, section, song
from leading import (
    CLOCK,
    CONTINUE,
    FOLLOWING_RIG,
    RATE,
    START,
    STOP,
    Box,
    clicks,
    clock_frames,
    follow_box,
    position,
)

from syncbox.engine.transport import State

TAIL = 400  # frames left at the end of a run of blocks


def engine_of(bars: int = 8) -> Engine:
    return Engine(program_of(song(section("A", bars)), rig=FOLLOWING_RIG))


def told(engine: Engine) -> list[tuple[str, bytes]]:
    kinds = ("start", "stop", "continue", "song position")
    return [(why, data) for _, port, data, why in engine.midi if port == 0 and why in kinds]


def test_continue_and_three_clocks_while_locating_play_from_the_27th_clock():
    """P. 28-29: song position 4 (24 clocks), Continue and 3 clocks while the receiver is busy.

    "Busy" is a block of 8192 frames, in which all of them arrive.
    """
    engine = engine_of()
    engine.block_frames = 8192
    box = Box()
    box.say(100, position(4))
    box.say(300, CONTINUE)
    frames = clock_frames(2_000, [120.0] * 120)
    box.clocks(frames)
    follow_box(engine, box, int(frames[-1]) - 8192)
    sent = engine.frames("clock")
    assert sum(frame < 8192 for frame in sent) in (6, 7)  # of those heard none is left out
    later = np.array([frame for frame in sent if frame >= 8192])
    whole = frames[len(sent) - len(later) : len(sent)]
    assert np.max(np.abs(later - whole)) < RATE / 1000
    assert told(engine) == [("song position", position(4)), ("continue", CONTINUE)]
    # the beat at clock 48 is the 25th clock after Continue
    assert abs(clicks(engine)[-1] - frames[24 * ((len(sent) - 1) // 24)]) < RATE / 1000


@pytest.mark.parametrize("value", [1, 4, 10, 16, 17, 64, 100])
def test_song_position_is_a_sixteenth_and_the_next_clock_is_there(value):
    """P. 27: a MIDI beat is 6 clocks; p. 30: the first clock after Continue is that position."""
    engine, box = engine_of(), Box()
    frames = clock_frames(5_000, [120.0] * 400)
    box.clocks(frames)
    box.say(frames[40] + 100, position(value))
    box.say(frames[60] - 300, CONTINUE)
    follow_box(engine, box, int(frames[-1]) - TAIL)
    left = 8 * 96 - 6 * value
    true = frames[60 : 60 + left]
    sent = engine.frames("clock")[: len(true)]
    assert np.max(np.abs(np.array(sent) - true[: len(sent)])) < 1
    to_beat = -6 * value % 24
    beats = true[to_beat::24]
    found = clicks(engine)
    assert np.max(np.abs(found - beats[: len(found)])) < 1
    assert told(engine)[:2] == [("song position", position(value)), ("continue", CONTINUE)]


def test_start_is_song_position_0_and_continue():
    """P. 28: Start is treated as song position 0 plus Continue."""
    by_start, by_position = engine_of(), engine_of()
    frames = clock_frames(5_000, [124.0] * 300)
    for engine, messages in ((by_start, [START]), (by_position, [position(0), CONTINUE])):
        box = Box()
        box.clocks(frames)
        for number, message in enumerate(messages):
            box.say(frames[60] - 400 + number * 20, message)
        follow_box(engine, box, int(frames[-1]) - TAIL)
    assert by_start.frames("clock") == by_position.frames("clock")
    assert list(clicks(by_start)) == list(clicks(by_position))


def test_nothing_moves_between_start_and_the_next_clock():
    """P. 30-31: the sequence starts with the next clock, however long that takes."""
    engine, box = engine_of(), Box()
    box.say(5_000, START)
    frames = clock_frames(100_000, [120.0] * 100)
    box.clocks(frames)
    follow_box(engine, box, 99_000)
    assert engine.state.transport == State.STOPPED
    assert not engine.frames("clock")
    follow_box(engine, Box(box.sent[1:]), int(frames[-1]) - TAIL)
    assert 0 <= engine.frames("clock")[0] - frames[0] < 8 * RATE / 1000
    assert len(engine.frames("clock")) == 99


def test_a_clock_that_is_foretold_and_does_not_come_starts_nothing():
    """P. 30-31, where clocks have run before: Start, then a pause, then the first clock."""
    engine, box = engine_of(), Box()
    before = clock_frames(5_000, [120.0] * 60)
    after = clock_frames(float(before[-1]) + 48_000, [120.0] * 100)
    box.clocks(before)
    box.say(before[-1] + 300, START)
    box.clocks(after)
    follow_box(engine, box, int(after[0]) - TAIL)
    assert engine.state.transport == State.STOPPED
    follow_box(engine, Box([row for row in box.sent if row[0] >= after[0]]), int(after[-1]) - TAIL)
    assert len([f for f in engine.frames("clock") if f > after[0] - TAIL]) == 99
    assert engine.state.transport == State.ROLLING


def test_clocks_while_stopped_move_nothing():
    """P. 30-32: receivers must not advance song position for clocks while stopped."""
    engine, box = engine_of(), Box()
    frames = clock_frames(5_000, [120.0] * 300)
    box.clocks(frames)
    box.say(frames[50] - 300, START)
    box.say(frames[98] - 300, STOP)  # after 48 clocks
    box.say(frames[200] - 300, CONTINUE)
    follow_box(engine, box, int(frames[-1]) - TAIL)
    assert len(engine.frames("clock")) == 48 + 99
    found = clicks(engine)
    assert np.max(np.abs(found - np.concatenate([frames[50:98:24], frames[200:-1:24]]))) < 48


def test_redundant_messages_are_ignored():
    """P. 32: Start or Continue while playing, Stop while stopped; p. 29: position only then."""
    frames = clock_frames(5_000, [120.0] * 300)
    outputs = []
    for redundant in (False, True):
        engine, box = engine_of(), Box()
        box.clocks(frames)
        box.say(frames[50] - 300, START)
        box.say(frames[250] - 300, STOP)
        if redundant:
            box.say(frames[20] + 100, STOP)
            box.say(frames[50] - 200, START)
            box.say(frames[90] + 100, START)
            box.say(frames[120] + 100, CONTINUE)
            box.say(frames[130] + 100, position(16))
            box.say(frames[260] + 100, STOP)
        follow_box(engine, box, int(frames[-1]) - TAIL)
        outputs.append([row for row in engine.midi if row[3] != "clock stopped"])
    assert outputs[0] == outputs[1]


def test_stop_sends_no_clock_that_was_not_heard():
    """P. 31: Stop at once, and keep the position so that Continue goes on from there."""
    engine, box = engine_of(), Box()
    frames = clock_frames(5_000, [120.0] * 200)
    box.clocks(frames)
    box.say(frames[50] - 300, START)
    box.say(frames[90] + 300, STOP)
    follow_box(engine, box, int(frames[-1]) - TAIL)
    assert len(engine.frames("clock")) == 41
    stopped = engine.frames("stop")
    assert len(stopped) == 1
    assert 0 <= stopped[0] - frames[90] - 300 <= 1


def test_a_song_position_past_the_end_starts_nothing():
    """Common practice, no source: there is no music there."""
    engine, box = engine_of(2), Box()
    frames = clock_frames(5_000, [120.0] * 200)
    box.clocks(frames)
    box.say(frames[40] + 100, position(32))
    box.say(frames[60] - 300, CONTINUE)
    follow_box(engine, box, int(frames[-1]) - TAIL)
    assert not engine.frames("clock")
    assert engine.state.transport == State.STOPPED


@pytest.mark.parametrize("ppm", [20, 100])
def test_a_leader_whose_crystal_drifts_is_held(ppm):
    """At 100 ppm two machines left alone are 6 ms apart after 60 s (computed)."""
    engine, box = engine_of(32), Box()
    engine.block_frames = 4096
    frames = clock_frames(5_000, [120.0 / (1 + ppm * 1e-6)] * (60 + 30 * 96))
    box.clocks(frames)
    box.say(frames[60] - 300, START)
    follow_box(engine, box, int(frames[-1]) - 4096)
    sent = engine.frames("clock")
    alone_ms = (frames[-1] - frames[0]) * ppm * 1e-6 / RATE * 1000
    assert alone_ms > 5.9 * ppm / 100
    assert np.max(np.abs(np.array(sent[200:]) - frames[60 + 200 : 60 + len(sent)])) < 0.05 * 48


def test_every_realtime_byte_may_stand_inside_another_message():
    """P. 30: clocks come through between the bytes of a note and inside system exclusive."""
    engine = engine_of()
    index = list(engine.program.rig.input_ports).index("box")
    for number in range(40):
        data = (b"\x90\x3c" + CLOCK + b"\x40", b"\xf0\x7d" + CLOCK + b"\x01\xf7")[number % 2]
        engine.state.hear(0, index, data)
        engine.turn(4)
    assert engine.state.leader is not None
    assert engine.state.leader.servo.lock > 0
    assert engine.state.leader.servo.clocks > 40


SENSING = b"\xfe"


def test_active_sensing_between_all_that_a_leader_says_changes_nothing() -> None:
    """P. 30, 32: Active Sensing is optional and real-time, so it may stand inside a message.

    It comes at least every 300 ms. It must not cut a song position in two or move a clock.
    """
    frames = clock_frames(5_000, [120.0] * 400)
    outputs = []
    for sensing in (False, True):
        engine, box = engine_of(), Box()
        box.clocks(frames)
        place = position(16)
        if sensing:
            place = place[:1] + SENSING + place[1:2] + SENSING + place[2:]
            for number in range(28):
                box.say(1_000 + number * 0.27 * RATE, SENSING)
        box.say(frames[30] + 100, place)
        box.say(frames[60] - 300, CONTINUE)
        box.say(frames[150] - 300, STOP)
        box.say(frames[200] - 300, CONTINUE)
        follow_box(engine, box, int(frames[-1]) - TAIL)
        outputs.append([row for row in engine.midi if row[3] != "clock stopped"])
    assert outputs[0] == outputs[1]
    assert told(engine)[:2] == [("song position", position(16)), ("continue", CONTINUE)]


def test_active_sensing_that_ceases_stops_nothing() -> None:
    """Whoever heard it once may end notes when it ceases (optional); the song is not a note.

    The leader's own rule for that is Stop; common practice, no source.
    """
    engine, box = engine_of(), Box()
    frames = clock_frames(5_000, [120.0] * 300)
    box.clocks(frames)
    for number in range(4):
        box.say(1_000 + number * 0.27 * RATE, SENSING)
    box.say(frames[50] - 300, START)
    follow_box(engine, box, int(frames[-1]) - TAIL)
    assert engine.state.transport == State.ROLLING
    assert len(engine.frames("clock")) == 249


@pytest.mark.parametrize("clocks", [1, 5, 6, 7, 23, 24, 95, 96])
def test_continue_goes_on_with_the_clock_after_the_last_one_heard(clocks: int) -> None:
    """P. 28 and 31: Stop keeps the position, in clocks; the next one after Continue follows it."""
    engine, box = engine_of(), Box()
    frames = clock_frames(5_000, [120.0] * 400)
    box.clocks(frames)
    box.say(frames[50] - 300, START)
    box.say(frames[50 + clocks] - 300, STOP)
    box.say(frames[200] - 300, CONTINUE)
    follow_box(engine, box, int(frames[-1]) - TAIL)
    sent = engine.frames("clock")
    assert len(sent) == clocks + 199
    beats = np.concatenate([frames[50 : 50 + clocks : 24], frames[200 + -clocks % 24 : -1 : 24]])
    found = clicks(engine)
    assert len(found) == len(beats)
    assert np.max(np.abs(found - beats)) < RATE / 1000


@pytest.mark.parametrize("value", [16, 2000])
def test_a_song_position_after_start_is_ignored(value: int) -> None:
    """P. 29: only while stopped; after Start the leader plays, also before its first clock."""
    engine, box = engine_of(), Box()
    box.say(1_000, START)
    box.say(2_000, position(value))
    frames = clock_frames(9_000, [120.0] * 60)
    box.clocks(frames)
    follow_box(engine, box, int(frames[-1]) - TAIL)
    assert len(engine.frames("clock")) == 59
    assert engine.state.now.bar == 1
