"""Our use of the loudness library against the published test tones.

EBU Tech 3341 (v4, November 2023) cases 1 to 6: programme loudness within 0.1 LU, and
cases 15 to 19: true peak within +0.2 and -0.4 dB. ITU-R BS.1770-4 (10/2015): a sine of
997 Hz at full scale in one front channel reads -3.01 LKFS. The tones are made here from
the tables of the two documents; frequencies and levels of the cases as tabulated by two
independent conformance suites.
"""

import math

import numpy as np
import pytest

from syncbox.audio.loudness import integrated_lufs, true_peak_db

RATE = 48_000


def tone(level_db, seconds, hz=1000.0):
    t = np.arange(round(seconds * RATE)) / RATE
    return (10 ** (level_db / 20) * np.sin(2 * math.pi * hz * t)).astype(np.float32)


def stereo(*parts):
    return np.tile(np.concatenate([tone(*part) for part in parts]), (2, 1))


TECH_3341 = {
    1: ([(-23.0, 20)], -23.0),
    2: ([(-33.0, 20)], -33.0),
    3: ([(-36.0, 10), (-23.0, 60), (-36.0, 10)], -23.0),
    4: ([(-72.0, 10), (-36.0, 10), (-23.0, 60), (-36.0, 10), (-72.0, 10)], -23.0),
    5: ([(-26.0, 20), (-20.0, 20.1), (-26.0, 20)], -23.0),
}


@pytest.mark.parametrize("case", TECH_3341)
def test_programme_loudness_of_stereo_tones(case):
    parts, expected = TECH_3341[case]
    assert integrated_lufs(stereo(*parts), RATE) == pytest.approx(expected, abs=0.1)


def test_case_6_with_five_channels():
    sound = np.stack([tone(level, 20) for level in (-28, -28, -24, -30, -30)])
    assert integrated_lufs(sound, RATE) == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_997_hz_at_full_scale_in_one_channel(rate):
    t = np.arange(10 * rate) / rate
    sound = np.sin(2 * math.pi * 997 * t)[np.newaxis].astype(np.float32)
    assert integrated_lufs(sound, rate) == pytest.approx(-3.01, abs=0.01 if rate == RATE else 0.05)


def test_the_librarys_usual_filter_would_be_off():
    """Why we ask for the other filter: the usual one reads 0.04 LU low."""
    import pyloudnorm

    sound = np.asarray(tone(0.0, 10, 997.0), np.float64)
    usual = pyloudnorm.Meter(RATE).integrated_loudness(sound)
    assert abs(usual + 3.01) > 0.03


# Case: part of the sample rate, phase in degrees, amplitude, true peak.
TRUE_PEAKS = {
    15: (4, 0.0, 0.5, -6.0),
    16: (4, 45.0, 0.5, -6.0),
    17: (6, 60.0, 0.5, -6.0),
    18: (8, 67.5, 0.5, -6.0),
    19: (4, 45.0, 1.41, 3.0),
}


@pytest.mark.parametrize("case", TRUE_PEAKS)
def test_true_peak_of_tones_between_the_samples(case):
    part, phase, amplitude, expected = TRUE_PEAKS[case]
    n = np.arange(RATE)
    sound = amplitude * np.sin(2 * math.pi * n / part + math.radians(phase))
    fade = np.minimum(1.0, np.minimum(n, n[::-1]) / (0.02 * RATE))  # a hard start would overshoot
    found = true_peak_db((sound * fade)[np.newaxis].astype(np.float32))
    assert expected - 0.4 <= found <= expected + 0.2
