"""Hits are found where they begin, and only where something begins."""

import numpy as np
import pytest
from drums import RATE, drum_loop

from syncbox.audio.onsets import find_loop_onsets, find_onsets


@pytest.mark.parametrize("rate", [24_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("tempo", [72, 133.3, 180])
def test_every_hit_of_a_generated_loop_within_a_quarter_of_a_millisecond(rate, tempo):
    loop, hits = drum_loop(tempo, rate=rate)
    found = find_loop_onsets(loop, rate).frames
    errors = [found[np.abs(found - hit).argmin()] - hit for hit in hits]
    assert np.abs(errors).max() * 1000 / rate <= 0.25
    assert len(hits) <= len(found) <= len(hits) + 1


def test_level_does_not_matter():
    loop, _ = drum_loop(100)
    loud, soft = find_onsets(loop, RATE), find_onsets(loop * np.float32(0.01), RATE)
    assert loud.frames.tolist() == soft.frames.tolist()


def test_a_hit_on_the_seam_is_found_once_and_at_the_beginning():
    loop, hits = drum_loop(120)
    found = find_loop_onsets(loop, RATE).frames
    assert found[0] == 0
    assert len(found) == len(hits)


def test_silence_a_steady_tone_and_a_swell_have_no_hits():
    t = np.arange(4 * RATE) / RATE
    tone = np.sin(2 * np.pi * 220 * t)  # whole cycles: it goes round without a step
    swell = tone * (0.5 - 0.5 * np.cos(2 * np.pi * 0.5 * t))
    for sound in (np.zeros(RATE), tone, swell, np.empty(0)):
        assert not len(find_loop_onsets(sound.astype(np.float32)[np.newaxis], RATE))


def test_both_sides_of_a_stereo_sound_are_heard():
    loop, hits = drum_loop(100)
    sides = np.concatenate([loop, -loop])  # a mono sum of these would be silent
    assert len(find_loop_onsets(sides, RATE)) == len(hits)
