"""MIDI Time Code bytes against the specification's examples, and against mido's quarter frames."""

from fractions import Fraction

import mido
import pytest

from syncbox.midi.timecode import PIECES, full_message, named_frame, quarter_frame
from syncbox.score.timecode import CodeRate, frames_of, label_of, parsed

FPS_24, FPS_25, DROP, FPS_30 = CodeRate.FPS_24, CodeRate.FPS_25, CodeRate.DROP, CodeRate.FPS_30

QUARTERS = [
    # The worked example of MIDI Time Code, p. 4.
    (FPS_30, "01:37:52:16", "F1 00 F1 11 F1 24 F1 33 F1 45 F1 52 F1 61 F1 76"),
    (FPS_24, "01:23:45:12", "F1 0C F1 10 F1 2D F1 32 F1 47 F1 51 F1 61 F1 70"),
    (FPS_25, "01:23:45:12", "F1 0C F1 10 F1 2D F1 32 F1 47 F1 51 F1 61 F1 72"),
    (DROP, "01:23:45;12", "F1 0C F1 10 F1 2D F1 32 F1 47 F1 51 F1 61 F1 74"),
    (FPS_30, "01:23:45:12", "F1 0C F1 10 F1 2D F1 32 F1 47 F1 51 F1 61 F1 76"),
    (FPS_24, "23:59:59:23", "F1 07 F1 11 F1 2B F1 33 F1 4B F1 53 F1 67 F1 71"),
    (FPS_25, "10:00:00:00", "F1 00 F1 10 F1 20 F1 30 F1 40 F1 50 F1 6A F1 72"),
    (FPS_25, "00:00:00:00", "F1 00 F1 10 F1 20 F1 30 F1 40 F1 50 F1 60 F1 72"),
    (DROP, "00:01:00;02", "F1 02 F1 10 F1 20 F1 30 F1 41 F1 50 F1 60 F1 74"),
    (FPS_30, "10:20:30:29", "F1 0D F1 11 F1 2E F1 31 F1 44 F1 51 F1 6A F1 76"),
]
FULL = [
    # A textbook's full message: Digital Sound & Music, ch. 6.
    (FPS_30, "01:30:35:20", "F0 7F 7F 01 01 61 1E 23 14 F7"),
    (FPS_24, "01:23:45:12", "F0 7F 7F 01 01 01 17 2D 0C F7"),
    (FPS_25, "01:23:45:12", "F0 7F 7F 01 01 21 17 2D 0C F7"),
    (DROP, "01:23:45;12", "F0 7F 7F 01 01 41 17 2D 0C F7"),
    (FPS_30, "23:59:59:23", "F0 7F 7F 01 01 77 3B 3B 17 F7"),
    (FPS_25, "10:00:00:00", "F0 7F 7F 01 01 2A 00 00 00 F7"),
    (DROP, "00:01:00;02", "F0 7F 7F 01 01 40 01 00 02 F7"),
]


@pytest.mark.parametrize(("rate", "label", "expected"), QUARTERS)
def test_quarter_frames_are_those_of_the_specification(rate, label, expected):
    frame = frames_of(parsed(label), rate)
    pieces = [quarter_frame(frame, piece, rate) for piece in range(PIECES)]
    assert b"".join(pieces) == bytes.fromhex(expected)


@pytest.mark.parametrize(("rate", "label", "expected"), FULL)
def test_full_messages_are_those_of_the_specification(rate, label, expected):
    assert full_message(frames_of(parsed(label), rate), rate) == bytes.fromhex(expected)


@pytest.mark.parametrize("rate", CodeRate)
def test_mido_reads_back_every_piece(rate):
    frame = frames_of(parsed("23:58:57:22"), rate)
    pieces = [mido.Message.from_bytes(quarter_frame(frame, n, rate)) for n in range(PIECES)]
    assert [message.type for message in pieces] == ["quarter_frame"] * PIECES
    assert [message.frame_type for message in pieces] == list(range(PIECES))
    numbers = [pieces[n].frame_value | pieces[n + 1].frame_value << 4 for n in range(0, PIECES, 2)]
    numbers[3] &= 0x1F
    assert numbers[::-1] == list(label_of(frame, rate))


@pytest.mark.parametrize("rate", CodeRate)
def test_a_label_takes_two_code_frames_and_its_number_is_even(rate):
    """MIDI Time Code p. 3-4: 8 pieces in 2 frames; at 24 and 30 the number sent is even."""
    for quarter in range(8 * 3000):
        frame, piece = named_frame(quarter)
        assert quarter == 4 * frame + piece
        if rate is not FPS_25:
            assert label_of(frame, rate).frames % 2 == 0


def test_the_pace_of_the_quarter_frames():
    """MIDI Time Code p. 1: 120 a second at 30; 8.333 ms, and 7.68 % of a DIN cable."""
    milliseconds = {rate: 1000 / (4 * rate.per_second) for rate in CodeRate}
    assert milliseconds[FPS_30] == Fraction(25, 3)
    assert milliseconds[FPS_25] == 10
    assert float(milliseconds[FPS_24]) == pytest.approx(10.416666667)
    assert float(milliseconds[DROP]) == pytest.approx(8.341666667)
    assert Fraction(2 * 320, 1000) / milliseconds[FPS_30] == Fraction(768, 10_000)
