"""F. Adriaensen, "Using a DLL to filter time", Linux Audio Conference 2005 (venue from memory).

The equations were compared with four independent implementations that cite the paper;
the numbers below were computed from the equations.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from syncbox.drivers.dll import begin, coefficients, rate_of, step, time_of_frame


@pytest.mark.parametrize(
    ("bandwidth_hz", "frames", "rate", "wbc"),
    [
        (1, 128, 48_000, (0.0167551608191, 0.0236953756702, 0.000280735414075)),
        (1, 256, 48_000, (0.0335103216383, 0.0473907513404, 0.0011229416563)),
        (1, 1024, 48_000, (0.134041286553, 0.189563005361, 0.0179670665008)),
        (0.1, 1024, 48_000, (0.0134041286553, 0.0189563005361, 0.000179670665008)),
        (0.5, 512, 44_100, (0.0364738194702, 0.0515817701664, 0.00133033950675)),
    ],
)
def test_coefficients(bandwidth_hz, frames, rate, wbc):
    gains = coefficients(bandwidth_hz, frames / rate)
    assert (gains.w, gains.b, gains.c) == pytest.approx(wbc, rel=1e-11)


def test_answer_to_one_late_callback():
    frames, rate = 1024, 48_000
    gains = coefficients(1, frames / rate)
    loop = begin(0.0, 0, frames, rate)
    expected = [
        (0.021333333333, 0.042856229672, 0.021351300400),
        (0.042856229672, 0.064171595939, 0.021347894509),
        (0.064171595939, 0.085486962206, 0.021344811433),
    ]
    for number, (t0_s, t1_s, e2_s) in enumerate(expected, 1):
        late_s = 0.001 if number == 1 else 0.0
        loop = step(loop, number * frames / rate + late_s, frames, gains)
        assert loop.t0_s == pytest.approx(t0_s, abs=1e-12)
        assert loop.t1_s == pytest.approx(t1_s, abs=1e-12)
        assert loop.e2_s == pytest.approx(e2_s, abs=1e-12)


@pytest.mark.parametrize(
    ("bandwidth_hz", "callbacks", "ppm"),
    [
        (1, 101, 100.009),
        (0.1, 101, 47.187),
        (0.1, 1_001, 100.009),
        (0.01, 1_001, 46.04),
        (0.01, 5_001, 100.84),
    ],
)
def test_a_device_that_is_slow_by_100_ppm(bandwidth_hz, callbacks, ppm):
    frames, rate = 1024, 48_000
    period_s = frames / rate * (1 + 100e-6)
    gains = coefficients(bandwidth_hz, frames / rate)
    loop = begin(0.0, 0, frames, rate)
    for number in range(1, callbacks + 1):
        loop = step(loop, number * period_s, frames, gains)
    assert (loop.e2_s / (frames / rate) - 1) * 1e6 == pytest.approx(ppm, abs=0.005)
    assert rate_of(loop) == pytest.approx(rate, rel=1.2e-4)


@pytest.mark.parametrize(("bandwidth_hz", "left_ms"), [(1, 0.227), (0.1, 0.065), (0.01, 0.021)])
def test_how_much_jitter_is_left(bandwidth_hz, left_ms):
    frames, rate = 1024, 48_000
    period_s = frames / rate
    jitter_s = np.random.default_rng(0).uniform(-0.001, 0.001, 40_000)
    gains = coefficients(bandwidth_hz, period_s)
    loop = begin(float(jitter_s[0]), 0, frames, rate)
    errors_s = []
    for number in range(1, len(jitter_s)):
        loop = step(loop, number * period_s + float(jitter_s[number]), frames, gains)
        errors_s.append(loop.t0_s - number * period_s)
    settled = np.array(errors_s[len(errors_s) // 4 :])
    assert settled.std() * 1000 == pytest.approx(left_ms, rel=0.1)


def test_time_runs_evenly_through_a_block():
    loop = begin(100.0, 5_000, 480, 48_000)
    assert time_of_frame(loop, 5_000) == 100.0
    assert math.isclose(time_of_frame(loop, 5_240), 100.005)
    assert math.isclose(time_of_frame(loop, 5_960), 100.02)
