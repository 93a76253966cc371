"""An engine that follows another one plays what the first would have played."""

from __future__ import annotations

import json

import numpy as np
import pytest
from building import Engine, item, program_of, section, song, songs
from doubles import Double, same_from_here
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from syncbox.engine.place import place_of
from syncbox.engine.returning import Refresh, refresh
from syncbox.engine.transport import Command, State, packed
from syncbox.score.rig import SetEntry, Then
from syncbox.score.song import (
    AudioKind,
    ControllerSend,
    CountIn,
    Hold,
    PatchChange,
    PlayAudio,
    Section,
    Song,
)

RATE = 48_000


def started(written: Song, *others: Song, **more: object) -> Engine:
    engine = Engine(program_of(written, *others, **more))  # type: ignore[arg-type]
    engine.press(Command.START)
    return engine


def plain(bars: int = 40) -> Song:
    return song(
        section("A", bars, item(PatchChange("organ", "1")), item(PatchChange("organ", "2"), 3)),
        section("B", 4, item(PatchChange("organ", "3"))),
        count_in=CountIn(bars=1),
        tempo=174,
    )


@pytest.mark.parametrize("blocks", [1, 100, 400, 1500])
def test_it_plays_on_as_if_it_had_never_been_away(blocks: int) -> None:
    double = Double(started(plain()))
    double.turn(blocks)
    other = double.other()
    same_from_here(double.one, other)


def test_before_the_start_it_waits_like_the_other() -> None:
    double = Double(Engine(program_of(plain())))
    double.turn(40)
    other = double.other()
    assert other.state.transport is State.STOPPED
    other.press(Command.START)
    double.one.press(Command.START)
    same_from_here(double.one, other)


def test_a_vamp_goes_round_and_the_cue_leaves_it() -> None:
    double = Double(
        started(song(Section("V", plain(4).sections[0].body, vamp_usual=4), *plain(4).sections))
    )
    double.turn(300)
    other = double.other(400_000)
    assert other.state.transport is State.VAMPING
    assert other.state.now.round_no > 1
    for engine in (other, double.one):
        engine.press(Command.CUE)
    same_from_here(double.one, other)


def test_a_cue_that_was_pressed_is_not_forgotten() -> None:
    double = Double(
        started(song(Section("V", plain(4).sections[0].body, vamp_usual=4), *plain(8).sections))
    )
    double.turn(30)
    double.one.press(Command.CUE)
    double.note()
    other = double.other(100_000)
    same_from_here(double.one, other)


def test_a_hold_waits_on() -> None:
    double = Double(started(song(section("A", 2, item(Hold(), 2, 3)), section("B", 8))))
    double.turn(800)
    assert double.one.state.transport is State.HOLDING
    other = double.other()
    for engine in (other, double.one):
        engine.press(Command.CUE)
    same_from_here(double.one, other)


def test_jumps_and_trims_that_were_decided_are_kept() -> None:
    written = song(*(section(name, 4) for name in "ABCD"))
    double = Double(started(written))
    double.turn(100)
    double.one.press(packed(Command.TEMPO_TRIM, 50))
    double.one.press(packed(Command.JUMP_AT_BAR, 3))
    double.note()
    other = double.other(120_000)
    assert other.state.now.section_index == 3
    same_from_here(double.one, other)


def test_a_song_that_ended_in_between_is_over() -> None:
    double = Double(started(song(section("A", 1)), song(section("B", 4))))
    double.turn(300)
    other = double.other(100_000)
    assert other.state.transport is State.WAITING
    assert other.state.song_index == 1
    same_from_here(double.one, other)


@pytest.mark.parametrize("then", [Then.SEGUE, Then.GAP])
def test_the_next_song_may_have_begun_in_between(then: Then) -> None:
    entries = (SetEntry("song-0", then=then), SetEntry("song-1"))
    double = Double(started(song(section("A", 1)), plain(), entries=entries))
    double.turn(300)
    other = double.other(150_000)
    same_from_here(double.one, other)


def test_loops_and_stems_sound_where_they_would_be() -> None:
    noise = np.random.default_rng(3).uniform(-0.1, 0.1, (2, 8 * RATE)).astype(np.float32)
    play = PlayAudio("stem.wav", AudioKind.STEM, "backing")
    written = song(section("A", 6, item(play)))
    engine = Engine(program_of(written, clips={"stem.wav": noise}))
    engine.press(Command.START)
    double = Double(engine)
    double.turn(100)
    other = double.other()
    same_from_here(double.one, other, 300)


def test_what_instruments_have_is_not_sent_again_and_what_they_missed_is() -> None:
    quiet = item(ControllerSend("organ", 11, 90), 2)
    written = song(
        section("A", 1, item(PatchChange("organ", "1")), item(PatchChange("choir", "4"))),
        section("B", 40, item(PatchChange("organ", "2")), quiet),
    )
    double = Double(started(written))
    double.turn(100)
    other = double.other(200_000)
    for port in range(3):
        other.state.press(packed(Command.REFRESH_PORT, refresh(port, Refresh.MISSED)))
    other.turn(20)
    settings_sent = [row[2].hex() for row in other.midi if row[3] in ("patch", "controller")]
    assert settings_sent == ["c001", "b00b5a"]


def test_a_place_is_small_and_says_nothing_new_in_between() -> None:
    double = Double(started(plain()))
    double.turn(400)
    assert len(double.place) < 4000
    said = sum(double.writer(double.one.state) is not None for _ in range(100))
    assert said == 0


# Not made smaller after a failure: every attempt plays for half a minute.
@settings(
    max_examples=8,
    deadline=None,
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
    suppress_health_check=list(HealthCheck),
)
@given(songs(), st.integers(1, 1000), st.integers(0, 300), st.randoms(use_true_random=False))
def test_any_song_at_any_moment(written: Song, blocks: int, away: int, random) -> None:
    double = Double(started(written))
    for _ in range(blocks // 50):
        if random.random() < 0.1:
            double.one.press(random.choice([Command.CUE, Command.STOP_AT_BAR, Command.START]))
            double.note()
        double.turn(50)
    other = double.other(away * 256)
    same_from_here(double.one, other, 600)


def test_places_are_plain_values() -> None:
    double = Double(started(plain()))
    double.turn(100)
    assert json.loads(json.dumps(place_of(double.one.state))) == place_of(double.one.state)
