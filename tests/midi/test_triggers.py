from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.midi.triggers import Triggers
from syncbox.score.controls import Control, Sign, SignKind

RATE = 1000  # a frame is a millisecond
INPUTS = ("pedals", "pads")
PEDAL = Sign(SignKind.CONTROLLER, 64, 64)
CUE = Control("cue", "pedals", PEDAL)
PANIC = Control("panic", "pedals", PEDAL, hold_ms=Fraction(600))
DOWN, UP = b"\xb0\x40\x7f", b"\xb0\x40\x00"


class Foot:
    """Plays messages at times in ms into triggers and notes when which control fired."""

    def __init__(self, *controls: Control) -> None:
        self.triggers = Triggers(controls, INPUTS, RATE)
        self.fired: list[tuple[int, str]] = []
        self.controls = controls
        self.now = 0

    def at(self, ms: int, message: bytes | None = None, source: int = 0) -> bool | None:
        while self.now < ms:  # the engine looks once a block
            self.triggers.settle(self.now)
            self._note(self.now)
            self.now += 5
        self.now = ms
        found = None
        if message is not None:
            found = self.triggers.take(ms, source, message)
        self._note(ms)
        return found

    def _note(self, ms: int) -> None:
        self.fired += [(ms, self.controls[n].does) for n in self.triggers.pressed]
        self.triggers.pressed.clear()


def test_a_press_counts_at_once_and_belongs_to_nobody_else() -> None:
    foot = Foot(CUE)
    assert foot.at(100, DOWN)
    assert foot.at(300, UP)
    assert foot.at(400, DOWN, source=1) is False
    assert foot.at(400, b"\xb0\x41\x7f") is False
    assert foot.fired == [(100, "cue")]


def test_a_bouncing_contact_is_one_press() -> None:
    foot = Foot(CUE)
    for ms, message in ((100, DOWN), (103, UP), (106, DOWN), (108, UP), (111, DOWN)):
        foot.at(ms, message)
    for ms, message in ((300, UP), (302, DOWN), (305, UP)):
        foot.at(ms, message)
    foot.at(500, DOWN)
    assert foot.fired == [(100, "cue"), (500, "cue")]


def test_a_tap_shorter_than_the_debounce_time_is_let_go_when_that_is_over() -> None:
    foot = Foot(CUE)
    foot.at(100, DOWN)
    foot.at(110, UP)
    foot.at(200, DOWN)
    assert foot.fired == [(100, "cue"), (200, "cue")]


def test_a_long_press_is_another_trigger() -> None:
    foot = Foot(CUE, PANIC)
    foot.at(100, DOWN)
    foot.at(400, UP)
    assert foot.fired == [(400, "cue")]  # it is short when the foot leaves
    foot.at(1000, DOWN)
    foot.at(2000, UP)
    foot.at(2500)
    assert foot.fired == [(400, "cue"), (1600, "panic")]  # and long while the foot stays


def test_a_bounce_is_no_short_press_and_does_not_shorten_a_long_one() -> None:
    foot = Foot(CUE, PANIC)
    for ms, message in ((100, DOWN), (103, UP), (106, DOWN)):
        foot.at(ms, message)
    foot.at(1000, UP)
    foot.at(1500)
    assert [(ms // 10, does) for ms, does in foot.fired] == [(70, "panic")]


def test_a_long_press_alone_does_nothing_when_it_is_short() -> None:
    foot = Foot(PANIC)
    foot.at(100, DOWN)
    foot.at(600, UP)
    foot.at(1500)
    assert foot.fired == []


@pytest.mark.parametrize(
    ("does", "apart_ms", "times"),
    [
        ("next song", None, 1),  # nobody wants to skip a song by a nervous foot
        ("stop", None, 1),
        ("louder", None, 3),
        ("next song", Fraction(0), 3),
        ("louder", Fraction(350), 2),
    ],
)
def test_a_second_press_too_soon_does_not_count(
    does: str, apart_ms: Fraction | None, times: int
) -> None:
    foot = Foot(replace(CUE, does=does, apart_ms=apart_ms))
    for ms in (0, 200, 400):
        foot.at(ms, DOWN)
        foot.at(ms + 100, UP)
    assert len(foot.fired) == times
    assert foot.triggers.doubles == 3 - times


def test_two_pedals_for_one_command_protect_each_other() -> None:
    stop = replace(CUE, does="stop")
    foot = Foot(stop, replace(stop, port="pads"))
    foot.at(100, DOWN)
    foot.at(200, DOWN, source=1)
    foot.at(900, UP, source=1)
    foot.at(1000, DOWN, source=1)
    assert foot.fired == [(100, "stop"), (1000, "stop")]


def test_pads_keys_and_programs() -> None:
    pad = Control("start", "pads", Sign(SignKind.NOTE, 36, 36, channel=10))
    octave = Control("cue", "pads", Sign(SignKind.NOTE, 24, 35))
    number = Control("panic", "pads", Sign(SignKind.PROGRAM, 4, 4))
    foot = Foot(pad, octave, number)
    assert foot.at(100, b"\x99\x24\x40", source=1)
    assert foot.at(101, b"\x99\x24\x00", source=1)  # velocity 0 is note off
    assert foot.at(200, b"\x90\x24\x40", source=1) is False  # another channel
    assert foot.at(300, b"\x90\x18\x40", source=1)
    assert foot.at(400, b"\x80\x18\x40", source=1)
    assert foot.at(500, b"\xc3\x04", source=1)
    assert foot.at(600, b"\xc3\x05", source=1) is False
    assert foot.at(700, b"\xd0\x18", source=1) is False
    assert foot.at(800, b"\xf8", source=1) is False
    assert foot.fired == [(100, "start"), (300, "cue"), (500, "panic")]


def test_a_reversed_pedal_sends_nothing_when_pressed() -> None:
    foot = Foot(replace(CUE, reversed=True))
    foot.at(100, DOWN)  # it is let go
    foot.at(200, UP)
    foot.at(300, DOWN)
    assert foot.fired == [(200, "cue")]


@pytest.mark.parametrize("first", [DOWN, UP])
def test_a_latching_switch_counts_in_both_positions(first: bytes) -> None:
    foot = Foot(replace(CUE, latching=True))
    foot.at(100, first)
    foot.at(300, UP if first == DOWN else DOWN)
    foot.at(500, first)
    assert [ms for ms, _ in foot.fired] == [100, 300, 500]


presses = st.lists(st.tuples(st.integers(100, 2000), st.integers(35, 1500)), max_size=8)


@given(presses, st.data())
def test_however_it_bounces_every_press_counts_once(
    drawn: list[tuple[int, int]], data: st.DataObject
) -> None:
    """Each press is cue or panic by its length, whatever the contact does within 25 ms."""
    foot, now, wanted = Foot(CUE, PANIC), 0, []
    for pause, length in drawn:
        for after, message, other in ((pause, DOWN, UP), (length, UP, DOWN)):
            now += after
            foot.at(now, message)
            bounces = sorted(data.draw(st.sets(st.integers(1, 25), max_size=3)))
            for number, late in enumerate([*bounces, *bounces[-1:]]):
                foot.at(now + late, message if number % 2 else other)
            if len(bounces) % 2 == 0 and bounces:
                foot.at(now + bounces[-1], message)
        wanted.append("panic" if length >= 600 else "cue")
    foot.at(now + 3000)
    # The end of a press is believed within a look and a debounce time of it.
    close = [abs(length - 600) < 40 for _, length in drawn]
    assert len(foot.fired) == len(wanted)
    for (_, fired), want, either in zip(foot.fired, wanted, close, strict=True):
        assert fired == want or either
