"""Stretching keeps the pitch, resampling turns it with the tempo, and both the exact length."""

from fractions import Fraction

import numpy as np
import pytest
from building import item, section, song
from drums import RATE, first_bars, steady

from syncbox.audio.stretch import keep_attacks, read_between, resample, stretch
from syncbox.score.song import Modulation, Ramp, RampShape, Span

RAMPS = {
    "faster": song(section("A", 4, item(Ramp(Fraction(150), Span(bars=2)))), tempo=90),
    "slower by time": song(
        section("A", 4, item(Ramp(Fraction(70), Span(bars=3), RampShape.BY_TIME))), tempo=120
    ),
    "modulation": song(section("A", 4, item(Modulation(Fraction(3, 4), Fraction(1)), 2)), tempo=90),
}


def tone(cycles, frames):
    t = np.arange(frames) / frames
    return (0.5 * np.sin(2 * np.pi * cycles * t)).astype(np.float32)[np.newaxis]


def loudest_hz(sound):
    spectrum = np.abs(np.fft.rfft(sound[0] * np.hanning(sound.shape[1])))
    return spectrum.argmax() * RATE / sound.shape[1]


def levels(sound, window=960):
    power = np.convolve(sound[0].astype(np.float64) ** 2, np.ones(window) / window, "valid")
    return np.sqrt(power)


@pytest.mark.parametrize("tempo", [83, 121])
def test_pitch_and_level_stay_at_a_steady_tempo(tempo):
    source = tone(1056, round(4.8 * RATE))  # 220 Hz, two bars at 100
    made = stretch(source, steady(tempo), RATE)
    assert made.shape[1] == steady(tempo).frame_count
    assert loudest_hz(made) == pytest.approx(220, abs=0.4)
    assert levels(made).min() > 0.9 * levels(source).mean()  # no hole, not at the seam either


@pytest.mark.parametrize("name", RAMPS)
def test_pitch_and_level_stay_where_the_tempo_moves(name):
    source, target = tone(1056, round(4.8 * RATE)), first_bars(RAMPS[name])
    made = stretch(source, target, RATE)
    assert made.shape[1] == target.frame_count
    assert loudest_hz(made) == pytest.approx(220, abs=0.4)
    assert levels(made).min() > 0.8 * levels(source).mean()  # -1 dB where pieces join


def test_a_loop_that_is_long_enough_is_left_alone():
    source = tone(1056, steady(100).frame_count)
    assert (stretch(source, steady(100), RATE) == source).all()
    assert (resample(source, steady(100)) == source).all()


def test_two_runs_give_the_same_samples():
    source = np.random.default_rng(3).uniform(-0.5, 0.5, (2, RATE * 2)).astype(np.float32)
    target = steady(130, bars=1)
    assert (stretch(source, target, RATE) == stretch(source, target, RATE)).all()


def test_resampling_turns_the_pitch_with_the_tempo_and_nothing_else():
    frames = round(4.8 * RATE)
    made = resample(tone(1056, frames), steady(120))
    wanted = tone(1056, steady(120).frame_count)
    error = made - wanted
    assert 10 * np.log10((wanted**2).mean() / (error**2).mean()) > 100  # dB


@pytest.mark.parametrize("name", RAMPS)
def test_resampling_follows_a_moving_tempo(name):
    """The phase of a sine is where in the loop we are: it must run as the tempo map does."""
    frames, target = round(4.8 * RATE), first_bars(RAMPS[name])
    made = resample(tone(1056, frames), target)
    ticks = np.interp(
        np.arange(target.frame_count) * target.knot_frames[-1] / target.frame_count,
        target.knot_frames,
        target.knot_ticks,
    )
    wanted = 0.5 * np.sin(2 * np.pi * 1056 * ticks / target.ticks)
    error = made[0] - wanted
    assert 10 * np.log10((wanted**2).mean() / (error**2).mean()) > 60


def test_reading_on_the_frames_gives_the_frames():
    loop = np.random.default_rng(1).uniform(-1, 1, (2, 1000)).astype(np.float32)
    np.testing.assert_allclose(read_between(loop, np.arange(1000.0)), loop, atol=1e-6)


def test_attacks_are_laid_over_untouched_and_nothing_else_changes():
    rng = np.random.default_rng(2)
    loop = rng.uniform(-0.5, 0.5, (1, RATE)).astype(np.float32)
    soft = np.zeros((1, 2 * RATE), np.float32)
    made = keep_attacks(soft, loop, np.array([10_000]), np.array([30_000]), RATE)
    near = slice(30_000 - 200, 30_000 + 300)
    np.testing.assert_array_equal(made[:, near], loop[:, 10_000 - 200 : 10_000 + 300])
    assert not made[:, :28_000].any()
    assert not made[:, 32_000:].any()
