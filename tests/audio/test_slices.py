"""Slices are moved and never stretched."""

import numpy as np
from drums import RATE, drum_loop
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.audio.slices import HANDOVER_MS, move_slices

PRE = round(HANDOVER_MS * RATE / 1000)


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_hits_that_stay_give_back_the_loop_to_the_sample(data):
    length = data.draw(st.integers(200, 5000))
    hits = sorted(data.draw(st.sets(st.integers(0, length - 1), max_size=8)))
    loop = np.random.default_rng(length).uniform(-1, 1, (2, length)).astype(np.float32)
    frames = np.array(hits, np.int64)
    same = move_slices(loop, frames, frames, length, RATE)
    np.testing.assert_allclose(same, loop, atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_any_move_gives_the_exact_length_and_nothing_louder_than_two_slices(data):
    length, count = data.draw(st.integers(50, 4000)), data.draw(st.integers(50, 4000))
    number = data.draw(st.integers(1, 6))
    hits = sorted(data.draw(st.sets(st.integers(0, length - 1), min_size=number, max_size=number)))
    places = sorted(data.draw(st.sets(st.integers(0, count - 1), min_size=number, max_size=number)))
    loop = np.random.default_rng(1).uniform(-1, 1, (1, length)).astype(np.float32)
    made = move_slices(loop, np.array(hits), np.array(places), count, RATE)
    assert made.shape == (1, count)
    assert np.abs(made).max() <= 2.0


def test_an_attack_is_moved_untouched():
    loop, hits = drum_loop(100)
    places = np.round(hits * 1.21).astype(np.int64)
    made = move_slices(loop, hits, places, round(loop.shape[1] * 1.21), RATE)
    for hit, place in zip(hits, places, strict=True):
        attack = slice(place, place + round(0.05 * RATE))
        np.testing.assert_array_equal(made[:, attack], loop[:, hit : hit + round(0.05 * RATE)])


def test_a_gap_is_filled_with_a_tail_that_goes_on_falling():
    t = np.arange(RATE // 2) / RATE
    ring = (np.sin(2 * np.pi * 440 * t) * np.exp(-6 * t)).astype(np.float32)[np.newaxis]
    made = move_slices(ring, np.array([0]), np.array([0]), RATE, RATE)
    parts = np.array_split(made[0, : RATE - PRE], 20)  # without the lead into the next hit
    levels = np.array([np.abs(part).max() for part in parts])
    assert levels.min() > 0  # no hole
    assert (levels[1:] <= levels[:-1] * 1.15).all()  # and never a rise worth hearing
