"""A loop's own tempo, first beat and length, also where its file was cut badly."""

from fractions import Fraction

import numpy as np
import pytest
from drums import RATE, drum_loop

from syncbox.audio.find import CLEAR, cut_out, find_loop, guess_bars
from syncbox.errors import ShowError

FOUR = Fraction(4)


def padded(loop, before_s, after_s):
    return np.pad(loop, ((0, 0), (round(before_s * RATE), round(after_s * RATE))))


@pytest.mark.parametrize("tempo", [72, 100, 133.3])
@pytest.mark.parametrize("late", [0.5, 2 / 3])
@pytest.mark.parametrize(
    ("before_s", "after_s"), [(0, 0), (0.05, 0.1), (0.3, 0), (0, 0.4), (0.025, 0.02)]
)
def test_padding_changes_neither_tempo_nor_downbeat(tempo, late, before_s, after_s):
    loop, _ = drum_loop(tempo, late=late)
    found = find_loop(padded(loop, before_s, after_s), RATE, 2, FOUR)
    assert found.tempo_qpm(RATE) == pytest.approx(tempo, rel=2e-4)
    assert found.start_frame == pytest.approx(before_s * RATE, abs=0.001 * RATE)
    assert found.certainty >= CLEAR


def test_a_tail_that_was_cut_off_is_put_back_as_silence():
    loop, _ = drum_loop(100)
    found = find_loop(loop[:, : -round(0.1 * RATE)], RATE, 2, FOUR)
    whole = cut_out(loop[:, : -round(0.1 * RATE)], found)
    assert abs(whole.shape[1] - loop.shape[1]) <= 5
    assert not whole[:, -round(0.09 * RATE) :].any()


def test_a_pad_without_hits_is_as_long_as_its_file():
    t = np.arange(3 * RATE) / RATE
    pad = (0.3 * np.sin(2 * np.pi * 220 * t) * (1 + 0.3 * np.sin(3 * t))).astype(np.float32)
    found = find_loop(pad[np.newaxis], RATE, 2, FOUR)
    assert (found.start_frame, found.length_frames) == (0, 3 * RATE)
    assert found.tempo_qpm(RATE) == pytest.approx(160)
    assert found.certainty < CLEAR


def test_what_is_given_by_hand_is_not_searched():
    loop, _ = drum_loop(100)
    found = find_loop(padded(loop, 0.3, 0.5), RATE, 2, FOUR, start_frame=12_000, tempo_qpm=99.0)
    assert found.start_frame == 12_000
    assert found.tempo_qpm(RATE) == pytest.approx(99.0)
    started = find_loop(padded(loop, 0.3, 0.5), RATE, 2, FOUR, start_frame=round(0.3 * RATE))
    assert started.tempo_qpm(RATE) == pytest.approx(100, rel=2e-4)


def test_a_silent_file_is_refused():
    with pytest.raises(ShowError, match="silent"):
        find_loop(np.zeros((1, RATE), np.float32), RATE, 1, FOUR)


@pytest.mark.parametrize(
    ("seconds", "goal", "bars"),
    [(4.8, 0, 2), (4.8, 120, 2), (2.0, 0, 1), (9.6, 100, 4), (7.1, 124, 4), (7.2, 100, 3)],
)
def test_bars_are_guessed_so_that_the_tempo_comes_out_likely(seconds, goal, bars):
    assert guess_bars(round(seconds * RATE), RATE, FOUR, goal) == bars
