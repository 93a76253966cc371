"""Our use of the resampler against sines that are known at every instant.

A sine sampled at one rate and resampled to another must be the sine sampled there: same
length in seconds, no delay, and nothing else above the stated noise.
"""

import numpy as np
import pytest
import soundfile

from syncbox.audio.clips import read_clip
from syncbox.audio.stretch import read_between

EDGE_S = 0.25  # the file begins and ends suddenly; the filter rings there


def sine(hz, seconds, rate):
    return 0.5 * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)


@pytest.mark.parametrize("hz", [100, 997, 5000, 15_000])
@pytest.mark.parametrize("rates", [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000)])
def test_a_sine_stays_the_sine(tmp_path, hz, rates):
    source, target = rates
    soundfile.write(tmp_path / "a.wav", sine(hz, 2, source), source, subtype="FLOAT")
    made = read_clip(tmp_path / "a.wav", target)[0].astype(np.float64)
    wanted = sine(hz, 2, target)
    assert len(made) == len(wanted)
    inside = slice(round(EDGE_S * target), -round(EDGE_S * target))
    error = made[inside] - wanted[inside]
    clean_db = 10 * np.log10((wanted[inside] ** 2).mean() / (error**2).mean())
    assert clean_db > (120 if hz < 10_000 else 100)


def test_what_the_new_rate_cannot_hold_does_not_fold_back(tmp_path):
    soundfile.write(tmp_path / "a.wav", sine(23_500, 2, 96_000), 96_000, subtype="FLOAT")
    made = read_clip(tmp_path / "a.wav", 44_100)[0]
    inside = made[round(EDGE_S * 44_100) : -round(EDGE_S * 44_100)]
    assert 20 * np.log10(np.abs(inside).max() / 0.5) < -100


@pytest.mark.parametrize("speed", [0.7, 1.3])
def test_our_own_reading_between_the_frames(speed):
    """For tempi that move: a windowed sinc, held to 75 dB up to 5 kHz at 48 kHz."""
    rate, cycles, frames = 48_000, 5000, 48_000
    loop = (0.5 * np.sin(2 * np.pi * cycles * np.arange(frames) / frames)).astype(np.float32)
    places = np.arange(0, frames, speed)
    wanted = 0.5 * np.sin(2 * np.pi * cycles * places / frames)
    made = read_between(loop[np.newaxis], places)[0]
    error = (made - wanted)[: rate // 2]
    assert 10 * np.log10(0.125 / (error**2).mean()) > 75
