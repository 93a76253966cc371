from itertools import combinations

import numpy as np
import pytest

from syncbox.audio.voices import VOICES, click_voices
from syncbox.score.rig import Mix
from syncbox.units import db_to_gain

RATES = (44_100, 48_000, 96_000)
CASES = [(rate, name) for rate in RATES for name in VOICES]


def spectrum(sound, rate):
    size = 1 << 18
    return np.fft.rfftfreq(size, 1 / rate), np.abs(np.fft.rfft(sound, size)) ** 2


@pytest.mark.parametrize(("rate", "name"), CASES)
def test_pitch_is_the_one_in_the_table(rate, name):
    pitches_hz, energy = spectrum(click_voices(rate)[name], rate)
    assert pitches_hz[energy.argmax()] == pytest.approx(VOICES[name].pitch_hz, abs=2)


@pytest.mark.parametrize(("rate", "name"), CASES)
def test_hardly_anything_lies_above_16_khz(rate, name):
    pitches_hz, energy = spectrum(click_voices(rate)[name], rate)
    assert energy[pitches_hz > 16_000].sum() < 1e-6 * energy.sum()


@pytest.mark.parametrize(("rate", "name"), CASES)
def test_begins_on_its_first_frame_and_ends_in_silence(rate, name):
    sound, voice = click_voices(rate)[name], VOICES[name]
    assert sound.dtype == np.float32
    assert len(sound) == round(voice.length_ms * rate / 1000)
    assert sound[0] > 0.004 * voice.peak
    assert abs(sound[-1]) < 1e-6
    assert np.abs(sound).max() == pytest.approx(voice.peak)
    assert np.abs(np.diff(sound[-rate // 1000 :])).max() < 0.01


def test_every_two_voices_differ_in_pitch_and_in_length():
    for one, other in combinations(VOICES.values(), 2):
        low, high = sorted((one.pitch_hz, other.pitch_hz))
        assert high / low > 2 ** (3 / 12)  # more than a minor third
        short, long = sorted((one.length_ms, other.length_ms))
        assert long / short > 1.3


def test_the_loudest_stay_under_the_usual_ceiling():
    ceiling = db_to_gain(Mix("any", (1,), {}).ceiling_db)
    assert max(voice.peak for voice in VOICES.values()) <= ceiling


def test_two_calls_give_the_same_frames():
    first, second = click_voices(48_000), click_voices(48_000)
    assert all(np.array_equal(first[name], second[name]) for name in VOICES)
