from __future__ import annotations

from dataclasses import replace

from building import Engine, item, program_of, section, song

from syncbox.engine.override import choice
from syncbox.engine.transport import Command, packed
from syncbox.score.song import PatchChange


def playing() -> Engine:
    written = song(
        section("A", 2, item(PatchChange("organ", "1"))),
        section("B", 2),
        section("C", 2, item(PatchChange("organ", "3"))),
    )
    engine = Engine(program_of(written))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 1 and now.beat == 2)
    return engine


def patches(engine: Engine) -> list[bytes]:
    return [data for _, port, data, why in engine.midi if (port, why) == (0, "patch")]


def test_it_goes_out_at_once_and_holds_until_the_next_section() -> None:
    engine = playing()
    engine.press(packed(Command.SELECT_PATCH, choice(0, 9)))
    engine.turn()
    assert patches(engine) == [b"\xc0\x00", b"\xc0\x09"]
    engine.turn_until(lambda now: now.section_index == 1)
    assert patches(engine) == [b"\xc0\x00", b"\xc0\x09", b"\xc0\x00"]
    engine.turn_until(lambda now: now.sets_over == 1)
    assert patches(engine)[3:] == [b"\xc0\x02"]


def test_the_hand_may_send_what_is_selected_already() -> None:
    engine = playing()
    engine.press(packed(Command.SELECT_PATCH, choice(0, 0)))
    engine.turn()
    assert patches(engine) == [b"\xc0\x00", b"\xc0\x00"]


def test_an_instrument_that_is_not_there_is_refused() -> None:
    engine = playing()
    engine.press(packed(Command.SELECT_PATCH, choice(7, 0)))
    assert engine.state.now.refused_count == 1


def test_a_vamp_that_goes_round_does_not_take_it_back() -> None:
    vamp = section("V", 1, item(PatchChange("organ", "5")), item(PatchChange("lead", "6")))
    written = song(replace(vamp, vamp_usual=2), section("B", 1))
    engine = Engine(program_of(written))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 1)
    engine.press(packed(Command.SELECT_PATCH, choice(0, 9)))
    engine.turn_until(lambda now: now.round_no == 3)
    assert engine.state.selected[:2] == [9, 5]
    engine.press(Command.CUE)
    engine.turn_until(lambda now: now.section_index == 1)
    assert engine.state.selected[:2] == [4, 5]
