"""A leader that stops around the seam of two songs goes on where it stopped, in the right song."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from building import Engine, item, program_of, section, song
from leading import (
    CONTINUE,
    FOLLOWING_RIG,
    MS,
    PRE,
    START,
    STOP,
    TAIL,
    Box,
    clock_frames,
    follow_box,
    position,
    told,
)

from syncbox.engine.transport import Command, State
from syncbox.score.rig import SetEntry, Then
from syncbox.score.song import PatchChange

BAR = 96  # clocks
STAND_STILL = 60  # clocks between stop and continue


def two_songs(then: Then) -> Engine:
    first = song(section("A", 2, item(PatchChange("organ", "1"))), tempo=120)
    second = song(section("B", 2, item(PatchChange("organ", "2"))), tempo=120)
    entries = (SetEntry("song-0", then, Fraction(1)), SetEntry("song-1"))
    return Engine(program_of(first, second, rig=FOLLOWING_RIG, entries=entries))


def stopped_after(clocks: int, then: Then, again: bytes) -> tuple[Engine, np.ndarray]:
    """Stop after so many clocks of the first song, later again; up to the leader's last clock."""
    engine, box = two_songs(then), Box()
    frames = clock_frames(5_000, [120.0] * (PRE + clocks + STAND_STILL + 3 * BAR))
    box.clocks(frames)
    box.say(frames[PRE] - 300, START)
    box.say(frames[PRE + clocks] - 300, STOP)
    box.say(frames[PRE + clocks + STAND_STILL] - 300, again)
    follow_box(engine, box, int(frames[PRE + clocks + STAND_STILL + 20]))
    return engine, frames


@pytest.mark.parametrize("clocks", [2 * BAR - 2, 2 * BAR - 1, 2 * BAR, 2 * BAR + 1, 2 * BAR + 5])
def test_after_a_stop_around_a_segue_the_music_goes_on_where_it_was(clocks: int) -> None:
    engine, frames = stopped_after(clocks, Then.SEGUE, CONTINUE)
    heard = clocks + 20
    assert engine.state.transport is State.ROLLING
    assert engine.state.song_index == 1
    assert engine.state.now.songs_over == 1
    assert engine.state.selected[0] == 1
    sent = engine.frames("clock")
    assert len(sent) in (heard, heard + 1)
    assert np.max(np.abs(np.array(sent[:clocks]) - frames[PRE : PRE + clocks])) < MS
    # What it has had of the second song is not had again: its beats go on.
    into = heard - 2 * BAR
    assert engine.state.now.beat == 1 + into // 24 or into < 24  # no beat since Continue


@pytest.mark.parametrize("clocks", [2 * BAR - 1, 2 * BAR, 2 * BAR + 1])
def test_receivers_begin_the_second_song_with_start(clocks: int) -> None:
    engine, _ = stopped_after(clocks, Then.SEGUE, CONTINUE)
    said = told(engine)
    begun = [why for why in said if why in ("start", "continue")]
    # Whoever stands at the end of the first song must begin the second one at its top.
    assert (
        begun
        == {
            2 * BAR - 1: ["start", "continue", "start"],
            2 * BAR: ["start", *begun[1:-1], "start"],
            2 * BAR + 1: ["start", "start", "continue"],
        }[clocks]
    )
    assert len(begun) < 4


@pytest.mark.parametrize("then", [Then.WAIT, Then.GAP])
def test_stopped_on_its_last_clock_a_song_is_over(then: Then) -> None:
    engine, _ = stopped_after(2 * BAR, then, START)
    assert engine.state.song_index == 1
    assert engine.state.now.songs_over == 1
    assert engine.state.transport is State.ROLLING
    assert engine.state.now.bar == 1


def test_start_after_a_stop_in_the_second_song_begins_that_one_anew() -> None:
    engine, _ = stopped_after(2 * BAR + 30, Then.SEGUE, START)
    assert engine.state.song_index == 1
    assert engine.state.now.bar == 1
    assert engine.state.now.beat == 1


def test_a_song_position_after_a_stop_at_the_seam_is_one_of_the_second_song() -> None:
    engine, box = two_songs(Then.SEGUE), Box()
    frames = clock_frames(5_000, [120.0] * (PRE + 8 * BAR))
    box.clocks(frames)
    seam = PRE + 2 * BAR
    box.say(frames[PRE] - 300, START)
    box.say(frames[seam] - 300, STOP)
    box.say(frames[seam + 20] - 300, position(16))
    box.say(frames[seam + 40] - 300, CONTINUE)
    follow_box(engine, box, int(frames[seam + 50]))
    assert (engine.state.song_index, engine.state.now.bar) == (1, 2)


def test_a_person_may_go_back_to_the_first_song() -> None:
    engine, frames = two_songs(Then.SEGUE), None
    box = Box()
    frames = clock_frames(5_000, [120.0] * (PRE + 6 * BAR))
    box.clocks(frames)
    seam = PRE + 2 * BAR
    box.say(frames[PRE] - 300, START)
    box.say(frames[seam] - 300, STOP)
    follow_box(engine, box, int(frames[seam + 10]))
    engine.press(Command.PREVIOUS_SONG)
    rest = Box([row for row in box.sent if row[1] >= engine.state.next_frame])
    rest.say(frames[seam + 40] - 300, CONTINUE)
    follow_box(engine, rest, int(frames[seam + 50]) - TAIL)
    assert (engine.state.song_index, engine.state.now.bar) == (0, 1)
