import pytest

from syncbox.midi.presses import Presses


@pytest.mark.parametrize(
    ("messages", "presses"),
    [
        ((b"\x99\x24\x40", b"\x89\x24\x00", b"\x99\x24\x01", b"\x99\x24\x00"), [1, 0, 1, 0]),
        ((b"\xb0\x40\x7f", b"\xb0\x40\x7f", b"\xb0\x40\x00", b"\xb0\x40\x40"), [1, 0, 0, 1]),
        ((b"\xb0\x40\x3f", b"\xb0\x40\x40", b"\xb1\x40\x7f"), [0, 1, 1]),
        ((b"\xf8", b"\xfe", b"\xe0\x00\x40", b"\xc0\x05", b"\xb0\x7b\x7f"), [0] * 5),
    ],
)
def test_a_press_is_a_stroke_or_a_pedal_that_goes_down(messages, presses):
    ear = Presses()
    assert [ear.take("pads", message) for message in messages] == [bool(each) for each in presses]


def test_each_port_has_its_own_pedal():
    ear = Presses()
    assert ear.take("left", b"\xb0\x40\x7f")
    assert ear.take("right", b"\xb0\x40\x7f")
