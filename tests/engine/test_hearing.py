"""Feet and hands reach the engine: presses become commands, keys play through the zones."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from building import RIG, Engine, item, program_of, section, song

from syncbox.engine.hearing import HEARD_MAX
from syncbox.engine.transport import Command, State
from syncbox.midi.messages import is_realtime
from syncbox.schedule.program import Program
from syncbox.score.controls import Control, Sign, SignKind, Zone
from syncbox.score.song import ControllerSend, PatchChange, Section

BAR = 96_000  # frames of 4/4 at 120
PEDALS, KEYS = 0, 1
CUE = Control("cue", "pedals", Sign(SignKind.CONTROLLER, 64, 64))
START = Control("start", "pedals", Sign(SignKind.CONTROLLER, 65, 65))
NEXT = Control("next song", "pedals", Sign(SignKind.CONTROLLER, 66, 66))
JUMP = Control("jump at end", "pedals", Sign(SignKind.CONTROLLER, 67, 67), section="Coda")
PANIC = Control("panic", "keys", Sign(SignKind.NOTE, 24, 35))
ORGAN = Zone("keys", "organ")
DOWN = {
    control.sign.low: bytes((0xB0, control.sign.low, 127)) for control in (CUE, START, NEXT, JUMP)
}
UP = {number: bytes((0xB0, number, 0)) for number in DOWN}
ON, OFF = b"\x90\x3c\x40", b"\x80\x3c\x40"


def program(*sections: Section, **more: object) -> Program:
    rig = replace(
        RIG,
        controls=(CUE, START, NEXT, JUMP, PANIC),
        input_ports={"pedals": "*", "keys": "*"},
        zones=(ORGAN,),
    )
    written = song(*(sections or (section("A", 2),)), **more)
    return program_of(written, written, rig=rig)


def tap(engine: Engine, number: int) -> None:
    engine.state.hear(10, PEDALS, DOWN[number])
    engine.turn(10)
    engine.state.hear(10, PEDALS, UP[number])
    engine.turn(10)


def played(engine: Engine) -> list[tuple[int, int, bytes]]:
    return [(frame, port, data) for frame, port, data, why in engine.midi if why == "played"]


def test_a_pedal_starts_the_song_and_another_leaves_the_vamp() -> None:
    engine = Engine(program(section("A", 1, vamp_usual=4), section("B", 1)))
    tap(engine, 65)
    engine.turn_until(lambda now: now.transport == State.VAMPING)
    tap(engine, 64)
    assert engine.state.now.cue_pending
    engine.turn_until(lambda now: now.section_index == 1)
    assert engine.state.now.refused_count == 0


def test_a_cue_after_the_decision_counts_for_the_next_round_and_is_shown_so() -> None:
    engine = Engine(program(section("A", 1, vamp_usual=4), section("B", 1)))
    tap(engine, 65)
    engine.turn_until(lambda now: now.transport == State.VAMPING)
    run = engine.state.tail
    assert run is not None
    end = run.end_frame
    while engine.state.tail is run:  # until the next round is decided
        engine.turn()
    assert engine.state.next_frame < end
    engine.state.hear(0, PEDALS, DOWN[64])
    engine.turn()
    assert (engine.state.now.cue_pending, engine.state.now.cue_late) == (1, 1)
    engine.turn_until(lambda now: now.round_no == 2)
    engine.turn()
    assert (engine.state.now.cue_pending, engine.state.now.cue_late) == (1, 0)
    engine.turn_until(lambda now: now.section_index == 1)
    assert engine.state.now.round_no == 1
    assert engine.state.now.cue_pending == 0


def test_a_jump_goes_to_the_section_by_its_name() -> None:
    engine = Engine(program(section("A", 1), section("B", 1), section("Coda", 1)))
    tap(engine, 65)
    engine.turn_until(lambda now: now.bar == 1)
    tap(engine, 67)
    engine.turn_until(lambda now: now.section_index != 0)
    assert engine.state.now.section_index == 2


def test_a_jump_to_a_section_that_this_song_does_not_have_is_refused() -> None:
    engine = Engine(program())
    tap(engine, 65)
    engine.turn_until(lambda now: now.bar == 1)
    tap(engine, 67)
    assert engine.state.now.refused_count == 1


def test_a_nervous_foot_skips_one_song_only() -> None:
    engine = Engine(program())
    for _ in range(3):
        tap(engine, 66)
    assert engine.state.now.song_index == 1
    assert engine.state.now.double_count == 2


def test_keys_sound_in_the_same_block_at_their_frame() -> None:
    engine = Engine(program_with_usb())
    engine.turn(100)
    engine.state.hear(100, KEYS, ON)
    engine.state.hear(37, KEYS, b"\x90\x40")  # in two pieces, and out of order between inputs
    engine.state.hear(37, KEYS, b"\x50")
    first = engine.state.next_frame
    engine.turn()
    assert played(engine) == [(first + 37, 1, b"\x90\x40\x50"), (first + 100, 1, ON)]


def program_with_usb() -> Program:
    rig = replace(RIG, input_ports={"pedals": "*", "keys": "*"}, zones=(Zone("keys", "choir"),))
    return program_of(song(section("A", 2)), rig=rig)


def test_keys_that_give_commands_do_not_sound() -> None:
    engine = Engine(program())
    engine.turn(100)
    engine.state.hear(0, KEYS, b"\x90\x18\x40\x80\x18\x40")
    engine.turn(10)
    assert played(engine) == []
    assert any(why == "panic" for _, _, _, why in engine.midi)


def test_zones_change_at_the_frame_of_the_section() -> None:
    engine = Engine(
        program(section("A", 1), section("B", 1, zones=(Zone("keys", "choir"),))), block_frames=512
    )
    tap(engine, 65)
    engine.turn_until(lambda now: now.bar == 1)
    line = engine.frames("clock")[0] + BAR
    while engine.state.next_frame + 512 <= line:
        engine.turn()
    offset = line - engine.state.next_frame
    assert 0 < offset < 511
    for at, note in ((offset - 1, 50), (offset, 51), (offset + 1, 52)):
        engine.state.hear(at, KEYS, bytes((0x90, note, 64)))
    engine.turn()
    for note in (50, 51, 52):
        engine.state.hear(0, KEYS, bytes((0x80, note, 64)))
    engine.turn()
    heard = [(port, data[0] & 0xF0, data[1]) for _, port, data in played(engine)]
    # Each note off goes where its note on went.
    assert sorted(heard) == [
        (0, 0x80, 50), (0, 0x90, 50), (1, 0x80, 51), (1, 0x80, 52), (1, 0x90, 51), (1, 0x90, 52),
    ]  # fmt: skip


def test_before_the_song_its_first_section_is_under_the_hands() -> None:
    engine = Engine(program(section("A", 1, zones=(Zone("keys", "choir"),))))
    engine.turn()
    engine.state.hear(0, KEYS, ON)
    engine.turn()
    assert [port for _, port, _ in played(engine)] == [1]


def test_what_is_played_does_not_wait_for_a_burst_and_keeps_clear_of_the_clock() -> None:
    sends = [item(ControllerSend("organ", 10 + n, n), bar=1) for n in range(40)]
    engine = Engine(program(section("A", 1), section("B", 1, *sends), tempo=240), block_frames=64)
    tap(engine, 65)
    engine.turn_until(lambda now: now.bar == 1)
    while not any(why == "controller" for _, _, _, why in engine.midi):
        engine.turn()
    begun = engine.state.next_frame
    for number in range(8):
        engine.state.hear(20, KEYS, bytes((0x90, 60 + number, 64)))
        engine.turn(4)
    wire_us = 320
    message, byte = (n * wire_us * 48_000 // 1_000_000 + 1 for n in (3, 1))
    on_port = [(frame, data, why) for frame, port, data, why in engine.midi if port == 0]
    sent = [frame for frame, _, why in on_port if why == "played"]
    assert len(sent) == 8
    for number, frame in enumerate(sent):  # at most a message and a clock byte that were before it
        assert 0 <= frame - (begun + number * 256 + 20) <= message + byte + byte
    free = 0
    for frame, data, _ in on_port:
        if not is_realtime(data):
            assert frame >= free
            free = frame + message - 1


def test_panic_ends_what_the_hands_hold_pedal_first() -> None:
    engine = Engine(program())
    engine.turn(100)
    engine.state.hear(0, KEYS, ON + b"\xb0\x40\x7f")
    engine.turn()
    engine.press(Command.PANIC)
    engine.turn(40)
    sent = [data for _, port, data, why in engine.midi if port == 0 and why in ("played", "panic")]
    assert sent[:5] == [ON, b"\xb0\x40\x7f", b"\xb0\x40\x00", OFF, b"\xb0\x40\x00"]
    engine.state.hear(0, KEYS, OFF + b"\xb0\x40\x00")
    before = len(played(engine))
    engine.turn()
    assert played(engine)[before:] == [(engine.state.next_frame - 256, 0, b"\xb0\x40\x00")]


def test_leaving_and_a_pulled_cable_let_go_of_every_key() -> None:
    engine = Engine(program())
    engine.turn(100)
    for end in (lambda: engine.state.input_gone(KEYS), lambda: engine.state.press(Command.QUIT)):
        engine.state.hear(0, KEYS, ON)
        engine.turn(2)
        end()
        engine.turn(2)
        assert [data for _, _, data in played(engine)][-2:] == [ON, OFF]


def test_a_flood_is_cut_off_and_counted() -> None:
    engine = Engine(program())
    engine.state.hear(0, KEYS, ON * (HEARD_MAX + 7))
    engine.turn()
    assert engine.state.now.heard_lost == 7


def test_a_controller_moved_by_hand_is_set_again_when_the_song_wants_it() -> None:
    wanted = item(ControllerSend("organ", 11, 90))
    engine = Engine(program(section("A", 1, wanted)))
    engine.turn(10)
    engine.state.hear(0, KEYS, b"\xb0\x0b\x20")
    engine.turn()
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 1)
    values = [data[2] for _, port, data, _ in engine.midi if port == 0 and data[:2] == b"\xb0\x0b"]
    assert values[:3] == [90, 0x20, 90]


def test_a_song_without_inputs_hears_nothing_and_plays_on() -> None:
    engine = Engine(program_of(song(section("A", 1, item(PatchChange("organ", "3"))))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 1)
    assert engine.state.now.heard_lost == 0


def test_a_long_press_is_noticed_while_nothing_else_comes() -> None:
    long = replace(NEXT, hold_ms=Fraction(600))
    rig = replace(RIG, controls=(long,), input_ports={"pedals": "*"})
    written = song(section("A", 1))
    engine = Engine(program_of(written, written, rig=rig))
    engine.state.hear(0, PEDALS, DOWN[66])
    engine.turn(100)
    assert engine.state.now.song_index == 0
    engine.turn(20)  # 640 ms of blocks by now
    assert engine.state.now.song_index == 1


def test_fingers_before_the_bar_line_play_the_coming_section_where_that_is_wanted() -> None:
    rig = replace(
        RIG,
        input_ports={"keys": "*"},
        zones=(ORGAN,),
        zones_early_ms=Fraction(40),
    )
    sections = section("A", 1, vamp_usual=9), section("B", 1, zones=(Zone("keys", "choir"),))
    engine = Engine(program_of(song(*sections), rig=rig), block_frames=64)
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 1)
    engine.press(Command.CUE)
    line = engine.frames("clock")[0] + BAR
    while engine.state.next_frame + 64 <= line - 40 * 48:
        engine.turn()
    offset = line - 40 * 48 - engine.state.next_frame
    engine.state.hear(0, 0, b"\x90\x32\x40")
    engine.state.hear(offset, 0, b"\x90\x33\x40")
    engine.turn(40)
    assert [(port, data[1]) for _, port, data in played(engine)][:2] == [(0, 0x32), (1, 0x33)]
    assert engine.state.now.section_index == 1


def test_a_box_that_comes_back_is_quiet_and_its_keys_begin_anew() -> None:
    engine = Engine(program_with_usb())  # the keyboard plays the choir, on port 1
    engine.turn(100)
    engine.state.hear(0, KEYS, b"\xb0\x40\x7f" + ON)
    engine.turn()
    engine.state.hear(0, KEYS, OFF)  # this went nowhere: the cable was out
    engine.turn()
    engine.press(Command.REFRESH_PORT + 256 * 1)
    engine.turn(20)
    sent = [(data, why) for _, port, data, why in engine.midi if port == 1]
    assert (b"\xb0\x40\x00", "panic") in sent
    before = len(played(engine))
    engine.state.hear(0, KEYS, b"\x90\x40\x40\x80\x40\x40\xb0\x40\x00")
    engine.turn()
    # The pedal is down still, so the box is told; then everything ends as it began.
    assert [data for _, _, data in played(engine)][before:] == [
        b"\xb0\x40\x7f", b"\x90\x40\x40", b"\x80\x40\x40", b"\xb0\x40\x00",
    ]  # fmt: skip
