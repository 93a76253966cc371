from __future__ import annotations

from syncbox.midi.learning import LET_GO_S, Learned, Learner
from syncbox.score.controls import Sign, SignKind

PEDAL = Sign(SignKind.CONTROLLER, 64, 64, 1)
DOWN, UP = b"\xb0\x40\x7f", b"\xb0\x40\x00"


def test_a_pad_and_a_program_are_known_at_once() -> None:
    assert Learner().take("pads", b"\x99\x24\x40", 0.0) == Learned(
        "pads", Sign(SignKind.NOTE, 36, 36, 10)
    )
    assert Learner().take("box", b"\xc1\x04", 0.0) == Learned(
        "box", Sign(SignKind.PROGRAM, 4, 4, 2)
    )


def test_a_pedal_is_known_when_it_is_let_go() -> None:
    learner = Learner()
    assert learner.take("foot", DOWN, 0.0) is None
    assert learner.wait(1.0) is None
    assert learner.take("foot", UP, 1.1) == Learned("foot", PEDAL)


def test_a_pedal_that_works_the_other_way_round() -> None:
    learner = Learner()
    learner.take("foot", UP, 0.0)
    assert learner.take("foot", DOWN, 0.4) == Learned("foot", PEDAL, reversed=True)


def test_a_pedal_that_is_never_let_go_is_latching() -> None:
    learner = Learner()
    learner.take("foot", DOWN, 0.0)
    assert learner.wait(LET_GO_S) == Learned("foot", PEDAL, latching=True)


def test_what_else_comes_in_is_no_press() -> None:
    learner = Learner()
    for message in (
        b"\xf8",
        b"\x90\x24\x00",
        b"\x80\x24\x40",
        b"\xe0\x00\x40",
        b"\xd0\x10",
        b"\xb0\x00\x01",
        b"\xb0\x20\x01",
        b"\xb0\x7b\x00",
        b"\xf0\x01\xf7",
    ):
        assert learner.take("keys", message, 0.0) is None  # fmt: skip
    learner.take("foot", DOWN, 0.0)
    assert learner.take("other", UP, 0.1) is None
    assert learner.wait(0.2) is None
