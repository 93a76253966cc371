"""A night with a leader: waiting for it, one song after another, an engine that takes over."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from building import Engine, program_of, section, song
from leading import (
    CONTINUE,
    FOLLOWING_RIG,
    MS,
    PRE,
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
    position,
)

from syncbox.engine.place import PlaceWriter, place_of, restore
from syncbox.engine.rejoin import replay
from syncbox.engine.servo import Lock
from syncbox.engine.transport import Command, State, packed
from syncbox.score.rig import SetEntry, Then


def test_start_from_a_person_waits_for_the_leader() -> None:
    engine, box = engine_of(plain()), Box()
    frames = clock_frames(5_000, [120.0] * 200)
    box.clocks(frames)
    follow_box(engine, box, int(frames[20]))
    engine.press(Command.START)
    rest = box_from(box, engine.state.next_frame)
    follow_box(engine, rest, int(frames[90]))
    assert engine.state.transport == State.STOPPED
    assert engine.state.now.leader_armed == 1
    engine.press(Command.STOP)
    assert engine.state.now.leader_armed == 0
    engine.press(Command.START)
    engine.press(Command.START)  # a leader is heard, so it is waited for
    assert engine.state.transport == State.STOPPED
    rest = box_from(box, engine.state.next_frame)
    rest.say(frames[120] - 300, START)
    follow_box(engine, rest, int(frames[-1]) - TAIL)
    assert engine.state.transport == State.ROLLING
    assert engine.state.now.leader_armed == 0
    assert len(engine.frames("clock")) == 79


def test_start_pressed_twice_plays_without_a_leader_that_is_not_there() -> None:
    engine = engine_of(plain())
    engine.press(Command.START)
    engine.turn(100)
    assert engine.state.transport == State.STOPPED
    engine.press(Command.START)
    engine.turn_until(lambda now: now.sets_over == 1)
    assert set(np.diff(engine.frames("clock"))) == {1000}


def test_the_leaders_tempo_is_not_changed_by_a_press() -> None:
    engine = engine_of(plain())
    engine.press(Command.TEMPO_UP)
    engine.press(packed(Command.TEMPO_TRIM, 50))
    assert engine.state.now.refused_count == 2
    assert engine.state.trim_permille == 0


def test_the_clock_while_stopped_is_the_leaders() -> None:
    engine, box = engine_of(plain()), Box()
    frames = clock_frames(5_000, [113.0] * 200)
    box.clocks(frames, np.random.default_rng(1).uniform(-3, 3, 200) * MS)
    follow_box(engine, box, int(frames[-1]) - TAIL)
    sent = np.array(engine.frames("clock stopped"))
    late = sent[sent > frames[100]]
    true = frames[np.searchsorted(frames + 500, late)]
    assert len(set(true)) == len(late)
    assert np.max(np.abs(late - true)) < 2 * MS
    assert not engine.frames("clock")


def test_each_song_waits_for_its_start_and_a_segue_goes_straight_on() -> None:
    first, second, third = plain(1), song(section("C", 2), tempo=100), plain(1)
    entries = (
        SetEntry("song-0", Then.SEGUE),
        SetEntry("song-1", Then.GAP, Fraction(1)),
        SetEntry("song-2"),
    )
    engine, box = engine_of(first, second, third, entries=entries), Box()
    frames = clock_frames(5_000, [120.0] * (PRE + 2 * 96) + [100.0] * 500)
    box.clocks(frames)
    box.say(frames[PRE] - 300, START)
    follow_box(engine, box, int(frames[PRE + 5 * 96]))
    assert np.max(np.abs(errors_ms(engine, frames[PRE : PRE + 4 * 96]))) < 1
    assert engine.state.transport == State.WAITING
    assert engine.state.song_index == 2
    rest = box_from(box, engine.state.next_frame)
    rest.say(frames[PRE + 5 * 96 + 48] - 300, START)
    follow_box(engine, rest, int(frames[-1]) - TAIL)
    again = np.array(engine.frames("clock")[4 * 96 :])
    begins = PRE + 5 * 96 + 48
    assert np.max(np.abs(again - frames[begins : begins + len(again)])) < MS


def test_the_offset_moves_everything_against_the_leader() -> None:
    rig = replace(FOLLOWING_RIG, follow_offset_ms=Fraction(-5))
    engine, box = Engine(program_of(plain(), rig=rig)), Box()
    frames = clock_frames(5_000, [120.0] * 300)
    box.clocks(frames)
    box.say(frames[PRE] - 900, START)
    follow_box(engine, box, int(frames[-1]) - 300)
    late = errors_ms(engine, frames[PRE : PRE + len(engine.frames("clock"))])
    assert late == pytest.approx(-5, abs=0.05)


def test_an_engine_that_takes_over_goes_on_following() -> None:
    engine, box = engine_of(plain(8)), Box()
    frames = clock_frames(5_000, [123.0] * 900)
    box.clocks(frames, np.random.default_rng(7).uniform(-3, 3, 900) * MS)
    box.say(frames[PRE] - 300, START)
    writer = PlaceWriter()
    known, places = b"", 0
    for end in range(30_000, int(frames[500]), 256):
        follow_box(engine, box_from(box, engine.state.next_frame), end)
        if said := writer(engine.state):
            known, places = said, places + 1
    assert places < 40  # not one for every clock
    other = engine_of(plain(8))
    restore(other.state, json.loads(known))
    replay(other.state, engine.state.next_frame + 24_000)
    other.state.absent = [False] * len(other.state.absent)
    soon = other.state.next_frame + 3000  # a few clocks: it need not be learnt anew
    follow_box(other, box_from(box, other.state.next_frame), soon)
    assert other.state.now.leader_lock == Lock.LOCKED
    follow_box(other, box_from(box, other.state.next_frame), int(frames[-1]) - TAIL)
    clocks = np.array(other.frames("clock"))
    true = frames[np.searchsorted(frames + 500, clocks)]
    assert len(set(true)) == len(clocks) > 300
    assert np.max(np.abs(clocks - true)) < MS
    assert other.state.now.leader_lock == Lock.LOCKED
    assert other.state.now.leader_leads == 1
    beats = clicks(other) + other.state.next_frame - 256 * len(other.audio)
    nearest = frames[PRE::24][np.searchsorted(frames[PRE::24] + 500, beats)]
    assert np.max(np.abs(beats - nearest)) < 2 * MS


def taken_over(engine: Engine, away: int = 24_000) -> Engine:
    other = engine_of(plain(8))
    restore(other.state, json.loads(json.dumps(place_of(engine.state))))
    replay(other.state, engine.state.next_frame + away)
    other.state.absent = [False] * len(other.state.absent)
    return other


def test_where_the_leader_has_stopped_it_goes_on_also_in_another_engine() -> None:
    engine, box = engine_of(plain(8)), Box()
    frames = clock_frames(5_000, [120.0] * 600)
    box.clocks(frames)
    box.say(frames[PRE] - 300, START)
    box.say(frames[PRE + 200] - 300, STOP)
    follow_box(engine, box, int(frames[PRE + 220]))
    other = taken_over(engine)
    rest = box_from(box, other.state.next_frame)
    rest.say(frames[PRE + 300] - 300, CONTINUE)
    follow_box(other, rest, int(frames[-1]) - TAIL)
    clocks = np.array(other.frames("clock"))
    true = frames[PRE + 300 : PRE + 300 + len(clocks)]
    assert np.max(np.abs(clocks - true)) < MS
    # The beat of clock 216, which is the 17th after Continue.
    assert abs(clicks(other)[0] + other.state.next_frame - 256 * len(other.audio) - true[16]) < MS
    told = [why for _, port, _, why in other.midi if port == 0 and why in ("start", "continue")]
    assert told == ["continue"]


@pytest.mark.parametrize("message", [START, position(16)])
def test_what_was_prepared_before_an_engine_died_counts_in_the_next(message: bytes) -> None:
    engine, box = engine_of(plain(8)), Box()
    box.say(5_000, message)
    follow_box(engine, box, 9_000)
    other = taken_over(engine)
    rest = Box()
    begins = other.state.next_frame + 5_000
    frames = clock_frames(begins, [120.0] * 60)
    rest.clocks(frames)
    if message != START:
        rest.say(begins - 500, CONTINUE)
    follow_box(other, rest, int(frames[-1]) - TAIL)
    assert other.state.transport == State.ROLLING
    assert other.state.now.bar == (1 if message == START else 2)


def test_a_song_that_waits_for_its_leader_waits_in_the_next_engine_too() -> None:
    engine = engine_of(plain(8))
    engine.press(Command.START)
    other = taken_over(engine)
    other.turn()
    assert other.state.now.leader_armed == 1
    assert other.state.transport == State.STOPPED
    other.press(Command.START)  # no clock is heard: it begins without one
    assert other.state.transport == State.COUNTING_IN
