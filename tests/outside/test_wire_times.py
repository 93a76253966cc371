"""Wire times against the MIDI 1.0 Detailed Specification 4.2.1 (MMA, 1996).

p. 1 and p. 9: 31.25 kbaud, one start, eight data and one stop bit, so 320 us a byte.
The rows below are that figure multiplied out.
"""

from fractions import Fraction

import pytest

from syncbox.midi import messages
from syncbox.midi.wire import burst_us, wire_us
from syncbox.score.rig import Wire


@pytest.mark.parametrize(
    ("byte_count", "us"), [(1, 320), (2, 640), (3, 960), (8, 2560), (10, 3200)]
)
def test_wire_times(byte_count, us):
    assert wire_us(byte_count, Wire.DIN) == us


@pytest.mark.parametrize(("channels", "ms"), [(1, 2.56), (4, 10.24), (8, 20.48), (16, 40.96)])
def test_bursts_of_patches_with_banks(channels, ms):
    byte_count = sum(
        len(message)
        for channel in range(1, channels + 1)
        for message in messages.patch(channel, 0, 0, 0)
    )
    assert wire_us(byte_count, Wire.DIN) == ms * 1000


# Bytes free in one clock at 24 to the quarter, one kept for the clock itself:
# floor(2 500 000 / bpm / 320) - 1.
@pytest.mark.parametrize(
    ("bpm", "free"),
    [
        (60, 129),
        (80, 96),
        (100, 77),
        (120, 64),
        (140, 54),
        (160, 47),
        (180, 42),
        (200, 38),
        (240, 31),
    ],
)
def test_bytes_free_in_a_clock(bpm, free):
    clock_us = Fraction(2_500_000, bpm)
    assert burst_us(free, Wire.DIN, Fraction(bpm)) <= clock_us
    assert burst_us(free + 1, Wire.DIN, Fraction(bpm)) > clock_us
