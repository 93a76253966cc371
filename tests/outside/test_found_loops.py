"""Loops that nobody here made, from openly licensed packages, found and fitted.

pygame's `house_lo`: 16 beats in 7.104853 s, 135.119 a minute, by its file's length; its mp3
is longer (codec padding), which must not change the tempo. BeatNet's `808kick120bpm`: 20
kicks, one every half second from the beginning, 120.00 a minute.
"""

from fractions import Fraction

import numpy as np
import pytest
from building import item, section, song
from drums import RATE, first_bars, steady
from found_sounds import found_sound

from syncbox.audio.find import CLEAR, find_loop
from syncbox.audio.fit import fit_loop, percentiles
from syncbox.audio.onsets import find_loop_onsets, find_onsets
from syncbox.score.song import FitWay, Ramp, Span

FOUR = Fraction(4)
WAYS = [FitWay.SLICES, FitWay.STRETCH, FitWay.RESAMPLE]
RAMP = song(section("A", 8, item(Ramp(Fraction(150), Span(bars=4)))), tempo=120)


@pytest.mark.parametrize("ending", ["wav", "ogg", "mp3"])
def test_the_tempo_of_a_dense_loop_in_three_codings(ending):
    found = find_loop(found_sound(f"house_lo.{ending}", RATE), RATE, 4, FOUR)
    assert found.tempo_qpm(RATE) == pytest.approx(135.119, rel=1e-3)
    assert found.certainty >= CLEAR


def test_twenty_kicks_lie_every_half_second():
    kicks = found_sound("808kick120bpm.mp3", RATE)
    found = find_loop(kicks, RATE, 5, FOUR)
    assert found.tempo_qpm(RATE) == pytest.approx(120.0, rel=2e-4)
    hits = find_onsets(kicks[:, : round(9.9 * RATE)], RATE).frames / RATE
    places = np.round(hits * 2) / 2
    assert len(hits) == 20
    slope, first = np.polyfit(places, hits, 1)
    assert slope == pytest.approx(1.0, rel=1e-4)
    assert np.abs(hits - (first + slope * places)).max() < 0.002


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("target", [steady(124, 4), steady(150, 4), first_bars(RAMP, 4)])
def test_a_dense_loop_is_fitted_to_the_frame_with_its_hits_in_place(way, target):
    sound = found_sound("house_lo.wav", RATE)
    made = fit_loop(sound, RATE, find_loop(sound, RATE, 4, FOUR), target, way)
    assert made.sound.shape[1] == target.frame_count
    assert len(made.errors_ms) >= 10
    assert percentiles(made.errors_ms)["p95"] <= 2.0
    assert made.seam_step <= made.largest_step


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("tempo", [96, 131])
def test_kicks_are_fitted_within_two_milliseconds(way, tempo):
    kicks = found_sound("808kick120bpm.mp3", RATE)
    target = steady(tempo, 5)
    made = fit_loop(kicks, RATE, find_loop(kicks, RATE, 5, FOUR), target, way)
    assert made.sound.shape[1] == target.frame_count
    hits = find_loop_onsets(made.sound, RATE).frames / RATE * tempo / 60
    assert len(hits) == 20
    assert np.abs(hits - np.round(hits)).max() * 60_000 / tempo <= 2.0
    assert made.seam_step <= made.largest_step
