"""The low-pass against scipy: its response, its bounds, and its two ways of being run."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncbox.engine import filters
from syncbox.engine.filters import LowPass, damping_of, warped_cutoff

RATE = 48_000
SETTINGS = [
    (cutoff, resonance)
    for cutoff in (20.0, 120.0, 1000.0, 5000.0, 12_000.0, 20_000.0)
    for resonance in (0.0, 0.5, 1.0)
]


def low_pass(cutoff_hz: float, resonance: float, *, sides: int = 1) -> LowPass:
    return LowPass(RATE, 65_536, sides=sides, cutoff_hz=cutoff_hz, resonance=resonance, gain=1.0)


def quality(resonance: float) -> float:
    return math.exp(-damping_of(resonance))


def response(cutoff_hz: float, resonance: float) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies in Hz and the gain that an impulse shows there."""
    sound = np.zeros((1, 65_536), dtype=np.float32)
    sound[0, 0] = 1.0
    low_pass(cutoff_hz, resonance).run(sound, 0)
    return np.fft.rfftfreq(65_536, 1 / RATE), np.abs(np.fft.rfft(sound[0].astype(np.float64)))


def in_db(gain: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.maximum(gain, 1e-12))


@pytest.mark.parametrize(("cutoff_hz", "resonance"), SETTINGS)
def test_the_response_is_the_prototype_through_the_bilinear_transform(
    cutoff_hz: float, resonance: float
) -> None:
    # scipy's bilinear of 1 / (s^2 + s/Q + 1), its axis scaled so that the cutoff stays.
    scale = 1 / math.exp(warped_cutoff(cutoff_hz, RATE))
    digital = signal.bilinear([1.0], [scale**2, scale / quality(resonance), 1.0], fs=0.5)
    frequencies, measured = response(cutoff_hz, resonance)
    _, ideal = signal.freqz(*digital, worN=2 * np.pi * frequencies / RATE)
    judged = in_db(np.abs(ideal)) > -80  # single precision ends there
    assert np.max(np.abs(in_db(measured) - in_db(np.abs(ideal)))[judged]) < 0.5


@pytest.mark.parametrize(("cutoff_hz", "resonance"), SETTINGS)
def test_the_response_is_the_analogue_prototype_where_the_axis_is_straight(
    cutoff_hz: float, resonance: float
) -> None:
    frequencies, measured = response(cutoff_hz, resonance)
    turn = 2 * np.pi * cutoff_hz
    _, ideal = signal.freqs(
        [turn**2], [1.0, turn / quality(resonance), turn**2], 2 * np.pi * frequencies
    )
    judged = (frequencies < RATE / 20) & (in_db(np.abs(ideal)) > -80)
    assert np.max(np.abs(in_db(measured) - in_db(np.abs(ideal)))[judged]) < 0.5


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.01, 3.0))
def test_whatever_moves_the_state_never_gains_energy_by_itself(seed: int, speed: float) -> None:
    rng = np.random.default_rng(seed)
    warped = np.clip(np.cumsum(rng.normal(0, speed, 400)), -7, 2)
    damping = np.clip(np.cumsum(rng.normal(0, speed, 400)), -2.4, 0.4)
    state = rng.normal(0, 1, (1, 2))
    energy = float((state**2).sum())
    for at in range(400):
        silence = np.zeros((1, 1), dtype=np.float32)
        part = slice(at, at + 1)
        filters._filter_block(silence, state, warped[part], damping[part], np.ones(1), 1, True)
        after = float((state**2).sum())
        assert after <= energy * (1 + 1e-12)
        energy = after


def steady_bound(resonance: float) -> float:
    """The largest sample that some steady setting can make of a sound within -1 to 1.

    It is the sum of the absolute impulse response (the norm of a bounded input and a
    bounded output: Oppenheim and Schafer, Discrete-Time Signal Processing, 2.4; from memory).
    """
    sums = []
    for cutoff_hz in np.geomspace(60.0, 16_000.0, 12):
        sound = np.zeros((1, 65_536), dtype=np.float32)
        sound[0, 0] = 1.0
        low_pass(cutoff_hz, resonance).run(sound, 0)
        sums.append(float(np.abs(sound.astype(np.float64)).sum()))
    return max(sums)


def tones(frames: np.ndarray) -> list[np.ndarray]:
    phases = [2 * np.pi * hz * frames / RATE for hz in (30.0, 55.0, 440.0, 1000.0, 9000.0)]
    noise = np.random.default_rng(3).uniform(-1, 1, len(frames))
    return [*map(np.sin, phases), np.sign(np.sin(phases[1])), np.sign(np.sin(phases[3])), noise]


@pytest.mark.parametrize("resonance", [0.0, 0.6, 1.0])
@pytest.mark.parametrize("ends", [(60.0, 16_000.0), (16_000.0, 60.0)])
def test_a_full_sweep_in_50_ms_stays_below_the_steady_bound(
    resonance: float, ends: tuple[float, float]
) -> None:
    bound = 0.25 * steady_bound(resonance)
    for tone in tones(np.arange(24_000)):
        sound = (0.25 * tone).astype(np.float32)[np.newaxis]
        swept = low_pass(ends[0], resonance)
        for step in range(128):  # every value of a pedal, 50 ms from end to end
            part = ends[0] * (ends[1] / ends[0]) ** (step / 127)
            swept.set_cutoff(part, 9600 + round(step * 0.05 * RATE / 127))
        swept.run(sound, 0)
        assert np.max(np.abs(sound)) <= bound


def test_a_sweep_leaves_no_sidebands_of_its_steps() -> None:
    # A slow sweep of a tone: what a cutoff stepped per block would add lies between the tone
    # and its slow change. Measured from 1 kHz away on.
    frames = np.arange(65_536)
    sound = (0.5 * np.sin(2 * np.pi * 3000 * frames / RATE)).astype(np.float32)[np.newaxis]
    swept = low_pass(500.0, 0.3)
    for step in range(128):
        swept.set_cutoff(500.0 * 8 ** (step / 127), 512 * step)
    swept.run(sound, 0)
    spectrum = in_db(np.abs(np.fft.rfft(sound[0] * signal.windows.blackmanharris(65_536))))
    away = np.abs(np.fft.rfftfreq(65_536, 1 / RATE) - 3000) > 1000
    assert np.max(spectrum[away]) < np.max(spectrum) - 100


def test_compiled_and_plain_give_the_same_samples() -> None:
    pytest.importorskip("numba", reason="the filter extra is not installed")
    rng = np.random.default_rng(4)
    for steady in (False, True):
        sound = rng.normal(0, 0.3, (2, 300)).astype(np.float32)
        warped, damping = np.linspace(-6, 1, 300), np.linspace(0.3, -2.3, 300)
        roots = np.linspace(1, 0, 300)
        one, other = sound.copy(), sound.copy()
        states = np.zeros((2, 2)), np.zeros((2, 2))
        filters.kernel()(one, states[0], warped, damping, roots, 300, steady)
        filters._plain_block(other, states[1], warped, damping, roots, 300, steady)
        assert np.array_equal(one, other)
        assert np.array_equal(*states)


def test_it_rings_out_to_nothing() -> None:
    sound = np.zeros((2, 65_536), dtype=np.float32)
    sound[:, 0] = 1.0
    one = low_pass(2000.0, 0.5, sides=2)
    one.run(sound, 0)
    assert not one.ringing
    assert not np.any(sound[:, -1000:])
