"""Time code as sound: the words bit by bit, and read back by a decoder that nobody here wrote.

The decoder is libltc (Debian libltc11), used through ctypes. The layout of the word is
SMPTE ST 12-1's, as several independent encoders agree on it.
"""

from fractions import Fraction

import numpy as np
import pytest
from ltc_reader import decoded

from syncbox.audio.ltc import PEAK, RISE_US, word, word_length, write_code
from syncbox.score.timecode import CodeRate, frames_of, label_of, parsed

FPS_24, FPS_25, DROP, FPS_30 = CodeRate.FPS_24, CodeRate.FPS_25, CodeRate.DROP, CodeRate.FPS_30

WORDS = [
    (FPS_30, "00:00:00:00", "00 00 00 08 00 00 00 00 FC BF", 14),
    (FPS_25, "00:00:00:00", "00 00 00 00 00 00 00 08 FC BF", 14),
    (FPS_24, "01:23:45:12", "02 01 05 04 03 02 01 00 FC BF", 22),
    (FPS_25, "01:23:45:12", "02 01 05 04 03 02 01 00 FC BF", 22),
    (FPS_30, "01:23:45:12", "02 01 05 04 03 02 01 00 FC BF", 22),
    (DROP, "01:23:45;12", "02 05 05 0C 03 02 01 00 FC BF", 24),
    (FPS_30, "01:37:52:16", "06 01 02 0D 07 03 01 00 FC BF", 26),
    (DROP, "23:59:59;29", "09 06 09 05 09 05 03 02 FC BF", 28),
    (DROP, "00:01:00;02", "02 04 00 00 01 00 00 00 FC BF", 16),
]


@pytest.mark.parametrize(("rate", "label", "expected", "ones"), WORDS)
def test_words_are_those_of_the_standard(rate, label, expected, ones):
    bits = word(frames_of(parsed(label), rate), rate)
    assert bits.to_bytes(10, "little") == bytes.fromhex(expected)
    assert bits.bit_count() == ones


def test_the_bits_leave_in_order():
    bits = word(frames_of(parsed("01:23:45:12"), FPS_30), FPS_30)
    sent = "".join(str(bits >> number & 1) for number in range(80))
    assert sent == (
        "01000000" "10000000" "10100000" "00100000" "11000000"
        "01000000" "10000000" "00000000" "00111111" "11111101"
    )  # fmt: skip


def sound(rate, sample_rate, label, seconds, lead=0):
    """The code from frame `lead` on, silence before."""
    start = frames_of(parsed(label), rate)
    out = np.zeros(round(seconds * sample_rate), dtype=np.float32)
    anchor = lead - start * word_length(rate, sample_rate)
    write_code(out, 0, anchor=anchor, rate=rate, sample_rate=sample_rate, before=start)
    return out, start


@pytest.mark.parametrize("sample_rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("rate", CodeRate)
def test_another_decoder_reads_every_word_where_it_is(rate, sample_rate):
    samples, start = sound(rate, sample_rate, "01:09:59:20", 3.0, lead=1000)
    length = word_length(rate, sample_rate)
    heard = decoded(samples, length)
    # A decoder needs the edge after the last bit, so a cut word at the end is not heard.
    assert len(heard) >= 3 * rate.nominal - 4
    first = next(n for n in range(3) if word(start + n, rate) == heard[0][0])
    for number, (bits, begins, ends) in enumerate(heard, first):
        assert bits == word(start + number, rate), label_of(start + number, rate)
        exact = 1000 + number * length
        assert abs(begins - exact) <= 3
        assert abs(ends - (exact + length)) <= 3


def edges(samples):
    """Where the sound goes through zero, in fractions of a sample."""
    signs = np.signbit(samples)
    at = np.flatnonzero(signs[1:] != signs[:-1])
    return at + samples[at] / (samples[at] - samples[at + 1])


@pytest.mark.parametrize("rate", CodeRate)
def test_every_edge_lies_on_its_exact_place(rate):
    """Bit cells of 1/80 of a code frame over ten seconds: 2400 bit/s at 30, and nothing drifts."""
    sample_rate = 48_000
    samples, start = sound(rate, sample_rate, "00:00:59:00", 10.0)
    cell = word_length(rate, sample_rate) / 80
    expected = []
    for number in range(10 * rate.nominal):
        bits = word(start + number, rate)
        for bit in range(80):
            expected.append(float((80 * number + bit) * cell))
            if bits >> bit & 1:
                expected.append(float((80 * number + bit + Fraction(1, 2)) * cell))
    expected = np.array([at for at in expected if 1 < at < len(samples) - 2])
    found = edges(samples[1:]) + 1
    assert len(found) == len(expected)
    assert np.abs(found - expected).max() < 0.1  # of a sample, 2 us


def test_frames_of_1601_6_samples_are_placed_exactly():
    """29.97 at 48 kHz: five code frames are 8008 samples (SMPTE ST 12-1 and 48000 x 1001/30000)."""
    assert 5 * word_length(DROP, 48_000) == 8008
    assert word_length(DROP, 44_100) == Fraction("1471.47")
    assert word_length(FPS_24, 44_100) == Fraction("1837.5")


def test_the_edge_rises_as_slowly_as_the_standard_asks():
    """10 to 90 % in 40 us +/- 10 us (SMPTE ST 12-1, from memory), measured at a high rate."""
    sample_rate = 1_920_000
    samples, _ = sound(FPS_25, sample_rate, "00:00:00:00", 0.01, lead=0)
    bit = round(sample_rate / 2000)  # the second bit's opening edge falls
    around = samples[bit - 200 : bit + 200]
    inside = np.flatnonzero(np.abs(around) < 0.8 * PEAK)  # from 90 % to 10 % of the whole step
    assert RISE_US - 10 <= len(inside) / sample_rate * 1e6 <= RISE_US + 10
    assert np.abs(samples).max() <= PEAK
