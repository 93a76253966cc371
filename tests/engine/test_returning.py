from __future__ import annotations

from fractions import Fraction

import pytest
from building import RIG, Engine, item, program_of, section, song
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from syncbox.engine.override import choice
from syncbox.engine.returning import Refresh, refresh
from syncbox.engine.transport import Command, packed
from syncbox.midi.messages import song_position
from syncbox.schedule.entry import StartAt
from syncbox.score.meter import Meter
from syncbox.score.rig import SetEntry, Then
from syncbox.score.song import ControllerSend, CountIn, Hold, PatchChange, Song

BAR = 96_000  # frames of 4/4 at 120
CLOCKS_A_POSITION = 6  # MIDI 1.0 Detailed Specification 4.2.1, p. 27


def two_sections() -> Song:
    return song(
        section("A", 4, item(PatchChange("organ", "1")), item(PatchChange("choir", "4"))),
        section("B", 40, item(PatchChange("organ", "2")), item(PatchChange("lead", "9"))),
    )


def playing(written: Song, bar: int = 2, **where: int) -> Engine:
    engine = Engine(program_of(written))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == bar and now.section_index == where.get("section", 0))
    return engine


def returned(engine: Engine, port: int, kind: Refresh = Refresh.WHOLE) -> list[tuple]:
    """What comes after a port's return, clocks left out."""
    before = len(engine.midi)
    engine.press(packed(Command.REFRESH_PORT, refresh(port, kind)))
    engine.turn(2 * BAR // engine.block_frames)
    return [row for row in engine.midi[before:] if not row[3].startswith("clock")]


def test_a_port_gets_its_patches_and_its_place_and_nobody_else_anything() -> None:
    engine = playing(two_sections(), section=1)
    told = returned(engine, 0)
    assert {row[1] for row in told} == {0}
    assert [row[2].hex() for row in told if row[3] == "patch"] == ["c001", "c108"]
    assert [row[3] for row in told if row[3] != "patch"] == ["stop", "song position", "continue"]


def test_the_first_clock_after_continue_is_the_bar_line_that_was_told() -> None:
    engine = playing(two_sections(), section=1)
    told = returned(engine, 0)
    position = next(row for row in told if row[3] == "song position")
    begin = next(row for row in told if row[3] == "continue")
    clocks = engine.frames("clock")
    first = next(frame for frame in clocks if frame > begin[0])
    assert (first - clocks[0]) % BAR == 0
    assert position[2] == song_position(clocks.index(first) // CLOCKS_A_POSITION)
    assert position[0] < begin[0]
    assert first - begin[0] >= 48  # 1 ms


def test_a_port_without_positions_begins_at_its_own_top() -> None:
    ports = tuple(
        type(port)(port.name, port.match, clock=port.clock, start_stop=True) for port in RIG.ports
    )
    rig = type(RIG)(ports=ports, instruments=RIG.instruments, mixes=RIG.mixes)
    engine = Engine(program_of(two_sections(), rig=rig))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 3)
    assert [row[3] for row in returned(engine, 0) if row[3] != "patch"] == ["stop", "start"]


def test_beside_a_box_that_plays_on_only_the_settings_are_sent() -> None:
    engine = playing(two_sections())
    assert [row[3] for row in returned(engine, 0, Refresh.SETTINGS)] == ["patch"]


def test_what_an_instrument_has_is_not_sent_again_after_the_engine_was_away() -> None:
    engine = playing(two_sections())
    engine.state.absent[1] = True
    assert returned(engine, 1, Refresh.MISSED) == []


def test_what_an_absent_port_misses_is_sent_when_it_is_there() -> None:
    engine = playing(two_sections())
    engine.state.absent[0] = True
    engine.turn_until(lambda now: now.section_index == 1)
    assert engine.state.selected[0] == 0
    told = returned(engine, 0, Refresh.MISSED)
    assert [row[2].hex() for row in told if row[3] == "patch"] == ["c001", "c108"]


def test_before_the_start_only_patches_are_sent() -> None:
    engine = Engine(program_of(two_sections()))
    engine.turn(4)
    assert [row[3] for row in returned(engine, 0)] == ["patch"]


def test_in_a_count_in_the_start_that_comes_anyway_is_enough() -> None:
    engine = Engine(program_of(song(*two_sections().sections, count_in=CountIn(bars=1))))
    engine.press(Command.START)
    engine.turn(20)
    told = returned(engine, 0)
    assert [row[3] for row in told if row[1] == 0] == ["stop", "patch", "start"]


def test_in_a_count_in_to_the_middle_of_a_song_the_place_is_told() -> None:
    written = song(*two_sections().sections, count_in=CountIn(bars=1))
    engine = Engine(program_of(written, start=StartAt(0, "B")))
    engine.press(Command.START)
    engine.turn(20)
    told = [row for row in returned(engine, 0) if row[1] == 0 and row[3] != "patch"]
    assert [row[3] for row in told] == ["stop", "song position", "continue"]
    assert told[1][2] == song_position(4 * 16)


def test_a_port_that_was_there_before_the_song_is_not_stopped() -> None:
    engine = Engine(program_of(two_sections()))
    engine.turn(20)
    there = engine.state.next_frame
    engine.press(Command.START)
    engine.turn(40)
    engine.press(packed(Command.REFRESH_PORT, refresh(0, Refresh.WHOLE, there)))
    engine.turn(2 * BAR // engine.block_frames)
    assert [row[3] for row in engine.midi if row[1] == 0 and "clock" not in row[3]] == [
        "patch",  # before the port came
        "start",
        "patch",
    ]


def test_a_port_that_came_after_start_has_missed_something() -> None:
    engine = Engine(program_of(two_sections()))
    engine.press(Command.START)
    engine.turn(40)
    engine.press(packed(Command.REFRESH_PORT, refresh(0, Refresh.WHOLE, 35 * 256)))
    engine.turn(2 * BAR // engine.block_frames)
    told = [
        row[3] for row in engine.midi if row[1] == 0 and row[3] in ("start", "stop", "continue")
    ]
    assert told == ["start", "stop", "continue"]


def test_a_patch_that_left_while_the_port_was_there_is_not_sent_twice() -> None:
    engine = Engine(program_of(two_sections()))
    engine.turn(20)
    there = engine.state.next_frame
    engine.press(Command.START)
    engine.turn_until(lambda now: now.section_index == 1)
    engine.press(packed(Command.REFRESH_PORT, refresh(0, Refresh.WHOLE, there)))
    engine.turn(20)
    assert [row[2].hex() for row in engine.midi if row[3] == "patch" and row[1] == 0] == [
        "c000",
        "c108",
        "c001",
    ]


@pytest.mark.parametrize("then", [Then.SEGUE, Then.GAP])
def test_a_port_that_came_at_the_end_of_the_song_before_is_not_stopped(then: Then) -> None:
    entries = (SetEntry("song-0", then, Fraction(1, 5)), SetEntry("song-1"))
    engine = Engine(program_of(song(section("A", 1)), two_sections(), entries=entries))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 1)
    while engine.state.next_frame < engine.frames("clock")[0] + BAR - 4000:
        engine.turn()
    there = engine.state.next_frame
    engine.turn_until(lambda now: now.song_index == 1 and now.bar == 1)
    before = len(engine.midi)
    engine.press(packed(Command.REFRESH_PORT, refresh(0, Refresh.WHOLE, there)))
    engine.turn(2 * BAR // engine.block_frames)
    told = [row[3] for row in engine.midi[before:] if row[1] == 0 and "clock" not in row[3]]
    assert set(told) <= {"patch"}


def test_in_a_hold_the_position_waits_for_the_others() -> None:
    held = song(section("A", 2, item(Hold(), 2, 3)), section("B", 2))
    engine = Engine(program_of(held))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.transport == 4)
    told = returned(engine, 0)
    assert [row[3] for row in told] == ["stop", "song position"]
    clocks = engine.frames("clock")
    assert told[1][2] == song_position(len(clocks) // CLOCKS_A_POSITION)


def test_an_unknown_port_is_refused() -> None:
    engine = Engine(program_of(two_sections()))
    engine.press(packed(Command.REFRESH_PORT, 17))
    assert engine.state.now.refused_count == 1


def test_controllers_come_back_after_the_patches() -> None:
    written = song(
        section("A", 8, item(PatchChange("organ", "1")), item(ControllerSend("organ", 11, 90)))
    )
    told = returned(playing(written), 0)
    assert [row[3] for row in told][:3] == ["patch", "stop", "controller"] or [
        row[3] for row in told
    ][:3] == ["stop", "patch", "controller"]


def test_a_box_that_missed_the_stop_is_stopped_when_it_is_back() -> None:
    engine = playing(two_sections())
    engine.press(Command.STOP)
    engine.turn(50)
    assert [row[3] for row in returned(engine, 0) if row[1] == 0 and row[3] != "patch"] == ["stop"]


def test_when_a_jump_is_planned_its_own_messages_are_enough() -> None:
    engine = playing(two_sections())
    engine.press(packed(Command.JUMP_AT_BAR, 1))
    told = [row[3] for row in returned(engine, 0) if row[1] == 0 and row[3] != "patch"]
    assert told == ["stop", "stop", "song position", "continue"]


@pytest.mark.parametrize("wait", range(0, 256, 16))
def test_it_is_told_once_wherever_the_blocks_lie(wait: int) -> None:
    engine = playing(two_sections())
    engine.block_frames = 256 + wait
    engine.turn()
    engine.block_frames = 256
    told = [row[3] for row in returned(engine, 0) if row[3] != "patch"]
    assert told == ["stop", "song position", "continue"]


def test_the_bar_line_is_one_that_is_played_after_a_change_of_tempo() -> None:
    """The leg begins anew at the bar line; its earlier bars lie nowhere."""
    engine = playing(two_sections(), bar=3, section=1)
    engine.press(packed(Command.TEMPO_TRIM, 150))
    line = engine.frames("clock")[0] + 7 * BAR
    while engine.state.next_frame < line - 900:
        engine.turn()
    engine.press(packed(Command.TEMPO_TRIM, -150))  # too late for this line
    told = returned(engine, 0)
    begin = next(row[0] for row in told if row[3] == "continue")
    lines = [frame for frame, _ in engine.state.runs[-1].lines()]
    assert begin + 96 in lines
    assert engine.frames("clock").index(begin + 96) * CLOCKS_A_POSITION % (16 * 6) == 0


def test_a_controller_that_waits_for_its_patch_holds_no_other_patch_up() -> None:
    written = song(
        section("A", 8, item(PatchChange("lead", "1")), item(ControllerSend("lead", 11, 90))),
    )
    engine = playing(written)
    engine.press(packed(Command.REFRESH_PORT, refresh(0, Refresh.WHOLE)))
    engine.press(packed(Command.SELECT_PATCH, choice(0, 8)))
    engine.turn(60)
    sent = [row for row in engine.midi if row[1] == 0 and row[2] in (b"\xc0\x08", b"\xb1\x0b\x5a")]
    assert [row[2] for row in sent[-2:]] == [b"\xc0\x08", b"\xb1\x0b\x5a"]


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.sampled_from([Meter.of(4, 4), Meter.of(7, 8, (2, 2, 3)), Meter.of(5, 16), Meter.of(3, 64)]),
    st.integers(1, 12),
)
def test_whatever_the_meter_the_position_is_the_count_of_clocks(meter: Meter, bar: int) -> None:
    engine = Engine(program_of(song(section("A", 64), meter=meter)))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar >= bar)
    told = returned(engine, 0)
    position = [row for row in told if row[3] == "song position"]
    begin = [row[0] for row in told if row[3] == "continue"]
    clocks = engine.frames("clock")
    for (_, _, data, _), at in zip(position, begin, strict=True):
        first = next(index for index, frame in enumerate(clocks) if frame > at)
        assert data == song_position(first // CLOCKS_A_POSITION)
        assert first % CLOCKS_A_POSITION == 0
