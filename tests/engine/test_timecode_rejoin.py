"""The time code of an engine that takes another one's place goes on without a seam."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from building import RIG, Engine, item, program_of, section, song
from doubles import Double
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from syncbox.engine.place import place_of, restore
from syncbox.engine.transport import Command, packed
from syncbox.score.rig import Mix
from syncbox.score.song import Hold, Section
from syncbox.score.timecode import CodeRate, TimeCode

EARLY, LATE = 0, 2  # ports
CODE_RIG = replace(
    RIG,
    ports=tuple(
        replace(port, time_code=index != 1, offset_ms=Fraction(-3 if index == EARLY else 40))
        for index, port in enumerate(RIG.ports)
    ),
    mixes=(*RIG.mixes, Mix("recorder", (4,), {"time-code": 0.0}, ceiling_db=0.0)),
)
RECORDER = 3  # output


def double(rate: CodeRate = CodeRate.FPS_25) -> Double:
    vamp = Section("V", section("V", 2).body, vamp_usual=2)
    hold = section("C", 4, item(Hold(), 2, 3))
    written = song(
        section("A", 4), vamp, section("B", 4), hold, section("D", 60), tempo=150,
        time_code=TimeCode(rate, 90_000),
    )  # fmt: skip
    found = Double(Engine(program_of(written, rig=CODE_RIG)))
    found.one.press(Command.START)
    found.note()
    return found


def code(engine: Engine) -> list[list[tuple[int, bytes]]]:
    """The quarter frames of each port that has code."""
    rows = [(frame, port, data) for frame, port, data, _ in engine.midi if data[0] == 0xF1]
    return [[(frame, data) for frame, at, data in rows if at == port] for port in (EARLY, LATE)]


def goes_on(pair: Double, away_frames: int = 60_000, *, cue: bool = False) -> None:
    """The one that comes back has the code of the one that was never away, sample by sample."""
    other = pair.other(away_frames)
    for engine in (pair.one, other):
        engine.turn(100)
        if cue:
            engine.press(Command.CUE)
        engine.turn(1500)
    assert code(other) == code(pair.one)
    assert all(len(rows) > 400 for rows in code(other))
    mine, its = (np.concatenate(engine.audio, axis=1)[RECORDER] for engine in (pair.one, other))
    np.testing.assert_array_equal(mine, its)
    assert np.abs(its).max() > 0.1


@pytest.mark.parametrize("rate", CodeRate)
@pytest.mark.parametrize("trim", [-60, 35])
def test_after_another_tempo_in_mid_song_it_does_not_jump(rate: CodeRate, trim: int) -> None:
    pair = double(rate)
    pair.turn(300)
    pair.one.press(packed(Command.TEMPO_TRIM, trim))
    pair.turn(400)  # past the bar line
    goes_on(pair)


def test_after_two_of_them_and_an_engine_that_dies_twice() -> None:
    pair = double()
    for trim in (40, -40):
        pair.turn(250)
        pair.one.press(packed(Command.TEMPO_TRIM, trim))
        pair.note()
    pair.turn(300)
    second = Double(pair.other())
    second.turn(20)
    third = second.other()
    pair.one.turn(20 + 60_000 // pair.one.block_frames)
    pair.one.midi.clear(), third.midi.clear()
    for engine in (pair.one, third):
        engine.turn(1500)
    assert code(third) == code(pair.one)


def test_a_vamp_that_lasts_and_a_jump_are_kept() -> None:
    pair = double()
    while pair.one.state.now.round_no < 3:
        pair.turn(1)
    goes_on(pair, cue=True)
    pair = double()
    pair.turn(100)
    pair.one.press(packed(Command.JUMP_AT_BAR, 3))
    pair.turn(30)
    goes_on(pair, 120_000, cue=True)


def test_code_that_is_still_to_come_on_a_late_port_comes() -> None:
    pair = double()
    line = pair.one.state.runs[-1].end_frame
    while pair.one.state.next_frame < line + 960:  # half of what the late port is late
        pair.turn(1)
    # A place may be older than this; here it is said just now.
    place = json.loads(json.dumps(place_of(pair.one.state)))
    other = Engine(pair.one.program, pair.one.block_frames)
    restore(other.state, place)
    for engine in (pair.one, other):
        engine.midi.clear()
        engine.turn(1500)
    assert code(other) == code(pair.one)


PRESSES = st.sampled_from(
    [
        Command.CUE,
        Command.STOP_AT_BAR,
        Command.TEMPO_UP,
        packed(Command.TEMPO_TRIM, 80),
        packed(Command.TEMPO_TRIM, -80),
        packed(Command.JUMP_AT_BAR, 2),
        packed(Command.JUMP_AT_END, 4),
        Command.REPEAT_SECTION,
        Command.START,
    ]
)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
@given(st.lists(st.tuples(st.integers(1, 400), PRESSES), max_size=6), st.integers(0, 90_000))
def test_whatever_was_pressed(script: list[tuple[int, int]], away_frames: int) -> None:
    pair = double()
    for blocks, command in script:
        pair.turn(blocks)
        pair.one.press(command)
        pair.note()
    pair.turn(10)
    other = pair.other(away_frames)
    for engine in (pair.one, other):
        engine.midi.clear()
        engine.audio.clear()
        engine.turn(800)
    assert code(other) == code(pair.one)
    mine, its = (np.concatenate(engine.audio, axis=1)[RECORDER] for engine in (pair.one, other))
    np.testing.assert_array_equal(mine, its)
