from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from building import RIG, Engine, item, program_of, section, song
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from syncbox.engine.transport import Command, State, packed, unpacked
from syncbox.score.rig import SetEntry, Then
from syncbox.score.song import AudioKind, Hold, PatchChange, PlayAudio, Song

RATE = 48_000
BAR = 96_000  # frames of 4/4 at 120


def three_sections(**more: object) -> Song:
    return song(
        section("A", 4, item(PatchChange("organ", "1"))),
        section("B", 4, item(PatchChange("organ", "2"))),
        section("C", 2, item(PatchChange("organ", "3"))),
        **more,
    )


def playing(written: Song, bar: int = 2, beat: int = 2) -> Engine:
    engine = Engine(program_of(written))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == bar and now.beat == beat)
    return engine


def to_the_end(engine: Engine) -> list[int]:
    engine.turn_until(lambda now: now.sets_over == 1)
    return engine.frames("clock")


def test_commands_travel_with_their_argument() -> None:
    for command in Command:
        for argument in (-200, 0, 7):
            assert unpacked(packed(command, argument)) == (command, argument)


def test_a_jump_goes_to_the_section_at_the_next_bar_line() -> None:
    engine = playing(three_sections())
    engine.press(packed(Command.JUMP_AT_BAR, 2))
    clocks = to_the_end(engine)
    assert len(clocks) == (2 + 2) * 96
    assert set(np.diff(clocks)) == {1000}  # the grid goes through the jump
    assert engine.state.selected[0] == 2


def test_receivers_are_told_so_that_the_first_clock_is_the_bar_line() -> None:
    engine = playing(three_sections())
    engine.press(packed(Command.JUMP_AT_BAR, 2))
    clocks = to_the_end(engine)
    line = clocks[0] + 2 * BAR
    told = [(frame, why, data) for frame, port, data, why in engine.midi if port == 0]
    around = [row for row in told if line - 500 < row[0] < line and row[1] != "clock"]
    assert [why for _, why, _ in around] == ["stop", "song position", "continue"]
    assert around[1][2] == bytes((0xF2, 8 * 16 & 0x7F, 8 * 16 >> 7))
    assert not [c for c in clocks if around[0][0] <= c < line]
    assert line - around[2][0] >= RATE // 1000


def test_a_jump_when_the_section_ends_waits_for_it() -> None:
    engine = playing(three_sections())
    engine.press(packed(Command.JUMP_AT_END, 2))
    assert engine.state.now.jump_section == 2
    assert len(to_the_end(engine)) == (4 + 2) * 96


def test_a_late_press_still_counts_until_the_section_has_ended() -> None:
    engine = playing(three_sections(), bar=4, beat=4)
    engine.turn(60)
    engine.press(packed(Command.JUMP_AT_END, 2))
    assert len(to_the_end(engine)) == (4 + 2) * 96


def test_a_section_can_be_repeated() -> None:
    engine = playing(three_sections())
    engine.press(Command.REPEAT_SECTION)
    assert len(to_the_end(engine)) == (4 + 4 + 4 + 2) * 96


def test_a_jump_out_of_a_vamp_leaves_it() -> None:
    engine = Engine(program_of(song(section("V", 1, vamp_usual=2), section("B", 3))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.round_no == 3)
    engine.press(packed(Command.JUMP_AT_BAR, 1))
    assert len(to_the_end(engine)) == (3 + 3) * 96


def test_nobody_jumps_to_a_section_that_is_not_there_or_out_of_a_hold() -> None:
    engine = playing(three_sections())
    engine.press(packed(Command.JUMP_AT_BAR, 9))
    assert engine.state.now.refused_count == 1
    held = Engine(program_of(song(section("A", 2, item(Hold(), beat=4)))))
    held.press(Command.START)
    held.turn_until(lambda now: now.transport == State.HOLDING)
    held.press(packed(Command.JUMP_AT_BAR, 0))
    assert held.state.now.refused_count == 1


def test_loops_stop_with_a_jump_and_stems_go_where_they_belong() -> None:
    stem = np.full((1, 60 * RATE), 0.1, dtype=np.float32)
    loop = np.full((1, 2 * RATE), 0.2, dtype=np.float32)
    written = song(
        section(
            "A",
            4,
            item(PlayAudio("l.wav", "pads", AudioKind.LOOP, every_bars=1)),
            item(PlayAudio("s.wav", "band-stem", AudioKind.STEM)),
        ),
        section("B", 2),
    )
    engine = Engine(program_of(written, clips={"l.wav": loop, "s.wav": stem}))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 2)
    engine.press(packed(Command.JUMP_AT_BAR, 1))
    engine.turn_until(lambda now: now.section_index == 1)
    engine.turn(20)
    assert engine.audio[-1][2, 0] == pytest.approx(0.1)


def test_the_tempo_trim_begins_at_a_bar_line_and_the_clock_follows_without_a_gap() -> None:
    engine = playing(three_sections())
    engine.press(packed(Command.TEMPO_TRIM, 100))
    assert engine.state.now.trim_permille == 100
    clocks = to_the_end(engine)
    assert len(clocks) == 10 * 96
    steps = np.diff(clocks)
    assert set(steps[: 2 * 96]) == {1000}
    assert set(steps[2 * 96 :]) == {909, 910}
    exact = clocks[0] + 2 * BAR + Fraction(8 * BAR * 10, 11)
    assert clocks[-1] == pytest.approx(float(exact - Fraction(10_000, 11)), abs=0.5)


def test_the_trim_keeps_to_its_limits_and_can_be_taken_back() -> None:
    engine = playing(three_sections())
    for _ in range(30):
        engine.press(Command.TEMPO_UP)
    assert engine.state.now.trim_permille == 200
    engine.press(packed(Command.TEMPO_TRIM, 0))
    clocks = to_the_end(engine)
    assert len(clocks) == 10 * 96
    assert set(np.diff(clocks)) <= {833, 834, 1000}


def test_the_click_can_be_muted_and_the_clock_goes_on() -> None:
    engine = playing(three_sections())
    engine.press(Command.MUTE_CLICK)
    engine.turn(60)
    engine.audio.clear()
    engine.turn(200)
    assert not np.any(np.concatenate(engine.audio, axis=1)[0])
    assert engine.state.now.click_muted
    assert len(to_the_end(engine)) == 10 * 96


presses = st.sampled_from(
    [
        packed(Command.CUE),
        packed(Command.REPEAT_SECTION),
        packed(Command.MUTE_CLICK),
        packed(Command.TEMPO_UP),
        packed(Command.TEMPO_TRIM, -150),
        *(packed(Command.JUMP_AT_BAR, n) for n in range(3)),
        *(packed(Command.JUMP_AT_END, n) for n in range(3)),
    ]
)


# A jump asked for when the Stop of another one was on its way already:
@example([(10, 4), (150, 4), (232, 4), (103, 524), (109, 12)])
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.integers(0, 300), presses), max_size=12))
def test_whatever_is_pressed_the_clock_has_no_hole_and_no_double(
    script: list[tuple[int, int]],
) -> None:
    written = song(
        section("A", 2, item(PatchChange("organ", "1"))),
        section("V", 1, vamp_usual=2),
        section("C", 2, item(PatchChange("lead", "3")), passes=2),
        tempo=150,
    )
    engine = Engine(program_of(written))
    engine.press(Command.START)
    for wait, press in script:
        engine.turn(wait)
        engine.press(press)
    for _ in range(40):
        if engine.state.now.sets_over:
            break
        engine.press(Command.CUE)
        engine.turn(200)
    clocks = engine.frames("clock")
    assert clocks == sorted(set(clocks))
    steps = set(np.diff(clocks))
    # 150 quarters a minute, trimmed by at most a fifth either way
    assert all(800 / 1.2 - 1 <= step <= 800 / 0.8 + 1 for step in steps)
    told = {"start": True, "continue": True, "stop": False}
    running = [told[why] for _, port, _, why in engine.midi if port == 0 and why in told]
    assert all(before != after for before, after in pairwise(running))


def test_a_nudge_of_the_tempo_does_not_undo_a_jump() -> None:
    engine = playing(three_sections())
    engine.press(packed(Command.JUMP_AT_BAR, 2))
    engine.press(packed(Command.TEMPO_TRIM, 100))
    engine.turn_until(lambda now: now.section_index == 2)
    assert engine.state.now.bar == 1
    clocks = to_the_end(engine)
    assert len(clocks) == (2 + 2) * 96
    # The jump's bar line stays where it was; from it on the new tempo holds.
    assert set(np.diff(clocks[: 2 * 96])) == {1000}
    assert set(np.diff(clocks[2 * 96 :])) <= {909, 910}


def test_a_jump_that_is_taken_back_leaves_the_right_patches() -> None:
    written = song(
        section("A", 8, item(PatchChange("organ", "1"))),
        section("B", 4, item(PatchChange("organ", "2"))),
        section("C", 2, item(PatchChange("organ", "3"))),
    )
    engine = playing(written)
    engine.press(packed(Command.JUMP_AT_BAR, 2))
    while engine.state.selected[0] != 2:
        engine.turn()
    engine.press(Command.REPEAT_SECTION)
    assert engine.state.selected[0] == 0


def patch_frames(engine: Engine) -> list[int]:
    return [frame for frame, _, _, why in engine.midi if why == "patch"]


def test_the_patches_of_a_jump_leave_just_in_time() -> None:
    """What is held in the old section keeps its sound up to the bar line, as far as it can."""
    loading_frames = RATE // 10
    organ, *others = RIG.instruments
    rig = replace(RIG, instruments=(replace(organ, loading_ms=Fraction(100)), *others))
    # In force at B, but set by A: only a jump back has to send it.
    written = song(
        section("A", 4, item(PatchChange("organ", "1"))),
        section("B", 4),
        section("C", 8, item(PatchChange("organ", "3"))),
    )
    engine = Engine(program_of(written, rig=rig))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.section_index == 2 and (now.bar, now.beat) == (2, 2))
    before = len(patch_frames(engine))
    engine.press(packed(Command.JUMP_AT_BAR, 1))
    line = engine.state.runs[-1].start_frame
    assert line - engine.state.next_frame > RATE // 2
    engine.turn_until(lambda now: now.section_index == 1)
    (sent,) = patch_frames(engine)[before:]
    assert 0 < line - loading_frames - sent < RATE // 100
    assert engine.state.selected[0] == 0


def test_a_jump_taken_back_in_time_has_sent_nothing() -> None:
    engine = playing(three_sections())
    before = patch_frames(engine)
    engine.press(packed(Command.JUMP_AT_BAR, 2))
    engine.press(Command.REPEAT_SECTION)
    engine.turn_until(lambda now: now.bar == 4)
    assert patch_frames(engine) == before


def test_the_last_section_of_a_song_can_be_repeated_too() -> None:
    engine = Engine(program_of(three_sections()))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.section_index == 2)
    engine.turn(10)
    engine.press(Command.REPEAT_SECTION)
    clocks = to_the_end(engine)
    assert len(clocks) == (4 + 4 + 2 + 2) * 96


def next_decided(then: Then) -> Engine:
    """The next song follows by itself and is decided; the present one can still be repeated."""
    here = song(*(section(n, 1, item(PatchChange("organ", n))) for n in "12"))
    coming = song(section("B", 1, item(PatchChange("organ", "9")), item(PatchChange("lead", "7"))))
    entries = (SetEntry("song-0", then, Fraction(0)), SetEntry("song-1"))
    engine = Engine(program_of(here, coming, entries=entries))
    engine.press(Command.START)
    for _ in range(2000):
        if engine.state.tail is not None and engine.state.tail.song_index == 1:
            break
        engine.turn()
    engine.press(Command.REPEAT_SECTION)
    assert engine.state.now.refused_count == 0
    assert all(run.song_index == 0 for run in engine.state.runs)
    return engine


@pytest.mark.parametrize("then", [Then.SEGUE, Then.GAP])
def test_a_song_that_is_repeated_keeps_its_patches_though_the_next_was_decided(then: Then) -> None:
    engine = next_decided(then)
    engine.turn(BAR // 2 // engine.block_frames)
    assert engine.state.transport is State.ROLLING
    assert engine.state.selected[0] == 1


def test_the_coming_songs_patches_do_not_come_when_sticks_have_started_it() -> None:
    """Its patches wait some seconds for the last chord; by then it may be in another section."""
    first = song(section("A", 1))
    second = song(*(section(n, 1, item(PatchChange("organ", n))) for n in "12"), tempo=160)
    engine = Engine(program_of(first, second))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.songs_over == 1)
    ended = engine.state.next_frame
    for beat in range(4):
        engine.state.press(packed(Command.HIT_STICK, ended + 18_000 * (beat + 1)))
        engine.turn(70)
    engine.turn_until(lambda now: now.section_index == 1)
    while engine.state.next_frame < ended + 5 * RATE and engine.state.transport is State.ROLLING:
        engine.turn()
    sent = [data for _, _, data, why in engine.midi if why == "patch"]
    assert sent[-1] == b"\xc0\x01"
    assert engine.state.selected[0] == 1


def test_a_stop_at_the_bar_keeps_to_the_bar_lines_that_are_played() -> None:
    """After a change of tempo the leg begins anew, as if its first bars had been at that tempo."""
    engine = playing(three_sections(), bar=2, beat=1)
    line = engine.frames("clock")[0] + 2 * BAR
    engine.press(packed(Command.TEMPO_TRIM, 150))  # from the line on; so long the bar goes on
    engine.press(Command.STOP_AT_BAR)
    engine.turn_until(lambda now: now.transport == State.STOPPED)
    assert engine.frames("stop") == [line]


def test_a_jump_that_is_taken_back_leaves_nothing_on_a_port_that_is_early() -> None:
    stand, *others = RIG.ports
    rig = replace(RIG, ports=(replace(stand, offset_ms=Fraction(-20)), *others))
    engine = Engine(program_of(three_sections(), rig=rig))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 3 and now.beat == 2)
    engine.press(packed(Command.JUMP_AT_BAR, 2))
    engine.press(packed(Command.JUMP_AT_BAR, 1))
    engine.turn(BAR // engine.block_frames)
    told = [why for _, port, _, why in engine.midi if port == 0 and why in ("stop", "continue")]
    assert told == ["stop", "continue"]


def test_a_stop_just_before_a_hold_still_reaches_the_ports() -> None:
    """The hold is decided ahead, with the Stop of its own; that one must not be all there is."""
    engine = Engine(program_of(song(section("A", 1, item(Hold(), 1, 2)), section("B", 1))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 1)
    while not any(row[4] == "stop" for row in engine.state.timed.rows):
        engine.turn()
    assert not engine.frames("stop")
    engine.press(Command.STOP)
    assert len(engine.frames("stop")) == 1


def test_after_a_song_without_any_gap_stop_comes_before_the_next_start() -> None:
    entries = (SetEntry("song-0", Then.GAP, Fraction(0)), SetEntry("song-1"))
    written = song(section("A", 1))
    engine = Engine(program_of(written, written, entries=entries))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.songs_over == 1)
    engine.turn(20)
    told = [why for _, port, _, why in engine.midi if port == 0 and why in ("start", "stop")]
    assert told == ["start", "stop", "start"]


def test_after_a_lost_block_the_position_still_comes_before_continue() -> None:
    engine = playing(three_sections(), bar=2, beat=4)
    engine.press(packed(Command.JUMP_AT_BAR, 2))
    line = engine.frames("clock")[0] + 2 * BAR
    while engine.state.next_frame < line - 2000:
        engine.turn()
    engine.state.skip_to(line + 100)
    engine.turn(4)
    kinds = ("stop", "song position", "continue")
    told = [why for _, port, _, why in engine.midi if port == 0 and why in kinds]
    assert told == ["stop", "song position", "continue"]
