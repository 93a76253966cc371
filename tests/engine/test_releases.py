"""A patch change does not cut a chord: it waits for the hands, at the latest to the bar line."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from building import RIG, Engine, item, program_of, section, song

from syncbox.engine.transport import Command
from syncbox.score.controls import Zone
from syncbox.score.song import ControllerSend, PatchChange

BAR = 96_000  # frames of 4/4 at 120
ON, OFF, DOWN, UP = b"\x90\x3c\x40", b"\x80\x3c\x40", b"\xb0\x40\x7f", b"\xb0\x40\x00"
LEAD = 48 * 45  # more than the organ's 40 ms of loading and its two bytes


def engine_near_the_line(*messages: bytes, waits: bool = True) -> tuple[Engine, int]:
    """Section B with another sound for the organ begins at the line; 100 ms before it."""
    organ = replace(RIG.instruments[0], when_released=waits, loading_ms=Fraction(40))
    rig = replace(
        RIG,
        instruments=(organ, *RIG.instruments[1:]),
        input_ports={"keys": "*"},
        zones=(Zone("keys", "organ"),),
    )
    change = (item(PatchChange("organ", "9")), item(ControllerSend("organ", 11, 50)))
    written = song(section("A", 1), section("B", 1, *change), section("C", 1))
    engine = Engine(program_of(written, rig=rig), block_frames=64)
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 1)
    line = engine.frames("clock")[0] + BAR
    while engine.state.next_frame < line - 4800:
        engine.turn()
    for message in messages:
        engine.state.hear(0, 0, message)
    return engine, line


def changes(engine: Engine) -> list[tuple[int, bytes]]:
    return [
        (frame, data)
        for frame, port, data, _ in engine.midi
        if port == 0 and data[:2] in (b"\xc0\x08", b"\xb0\x0b")
    ]


@pytest.mark.parametrize(("messages", "waits"), [((), True), ((ON,), False), ((ON, OFF), True)])
def test_what_nobody_holds_changes_ahead_of_the_line(
    messages: tuple[bytes, ...], waits: bool
) -> None:
    engine, line = engine_near_the_line(*messages, waits=waits)
    engine.turn(100)
    assert [data for _, data in changes(engine)] == [b"\xc0\x08", b"\xb0\x0b\x32"]
    assert line - LEAD - 480 < changes(engine)[0][0] < line - 48 * 40


@pytest.mark.parametrize("messages", [(ON,), (ON, DOWN, OFF)])
def test_a_held_sound_stays_until_the_line_at_the_latest(messages: tuple[bytes, ...]) -> None:
    engine, line = engine_near_the_line(*messages)
    engine.turn(100)
    (first, patch), (second, controller) = changes(engine)
    assert patch == b"\xc0\x08"
    assert controller == b"\xb0\x0b\x32"  # not before the patch that it is for
    assert line <= first <= line + 64
    assert second > first


@pytest.mark.parametrize(("held", "released"), [((ON,), OFF), ((ON, DOWN, OFF), UP)])
def test_it_goes_as_soon_as_the_last_key_or_pedal_is_up(
    held: tuple[bytes, ...], released: bytes
) -> None:
    engine, line = engine_near_the_line(*held)
    while engine.state.next_frame < line - 960:
        engine.turn()
    assert changes(engine) == []
    release = engine.state.next_frame + 20
    engine.state.hear(20, 0, released)
    engine.turn(50)
    note_off = next(f for f, _, data, _ in engine.midi if f >= release and data == released)
    first = changes(engine)[0][0]
    assert note_off < first <= release + 2 * 3 * 16 + 64


def test_a_jump_takes_a_change_back_that_was_waiting() -> None:
    engine, line = engine_near_the_line(ON)
    while engine.state.next_frame < line - 1500:
        engine.turn()
    assert engine.state.hearing.put_off
    engine.state.press(Command.JUMP_AT_END, 2)
    engine.turn(100)
    assert engine.state.hearing.put_off == []
    assert engine.state.now.section_index == 2
