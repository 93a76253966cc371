import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.audio.voices import click_voices
from syncbox.lab.onsets import digital_onsets, matched_onsets

RATE = 48_000
VOICES = click_voices(RATE)
gaps = st.lists(st.integers(6000, 20_000), min_size=1, max_size=8)
picks = st.lists(st.sampled_from(sorted(VOICES)), min_size=8, max_size=8)


def sound(onsets, names, *, gain=0.25):
    samples = np.zeros(onsets[-1] + 10_000, dtype=np.float32)
    for onset, name in zip(onsets, names):  # noqa: B905  more names than onsets
        samples[onset : onset + len(VOICES[name])] += np.float32(gain) * VOICES[name]
    return samples


@settings(max_examples=30, deadline=None)
@given(gaps, picks)
def test_digital_clicks_are_found_on_their_frame(gaps, names):
    onsets = np.cumsum(gaps)
    assert digital_onsets(sound(onsets, names), rate=RATE).tolist() == onsets.tolist()


@settings(max_examples=30, deadline=None)
@given(gaps, picks, st.integers(0, 2**32 - 1), st.sampled_from([-0.3, 0.05, 0.9]))
def test_clicks_in_noise_are_found_within_a_frame(gaps, names, seed, gain):
    onsets = np.cumsum(gaps)
    samples = sound(onsets, names, gain=gain)
    # 40 dB below the click's full scale: a poor cable
    noise = np.random.default_rng(seed).normal(0, abs(gain) * 0.01, len(samples))
    found = matched_onsets(samples + noise.astype(np.float32), VOICES, rate=RATE)
    assert len(found) == len(onsets)
    assert np.abs(found - onsets).max() <= 1


def test_a_click_at_the_very_beginning_counts():
    samples = sound([0, 9000], ["beat", "beat"])
    assert digital_onsets(samples, rate=RATE).tolist() == [0, 9000]


@pytest.mark.parametrize("length", [0, 5000])
def test_silence_holds_no_click(length):
    nothing = np.zeros(length, np.float32)
    assert digital_onsets(nothing, rate=RATE).shape == (0,)
    assert matched_onsets(nothing, VOICES, rate=RATE).shape == (0,)


def test_noise_alone_is_no_click():
    noise = np.random.default_rng(1).normal(0, 0.1, RATE).astype(np.float32)
    assert matched_onsets(noise, VOICES, rate=RATE).shape == (0,)
