"""The servo alone: F. Adriaensen's loop (see tests/outside/test_dll.py) and its manners."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.engine.servo import (
    BRIDGE_S,
    GOOD_CLOCKS,
    Lock,
    Servo,
    begun,
    gains,
    missing,
    step,
    waited,
)

RATE = 48_000
LONG = 10**6  # clocks after which only the loop's own gains are left
CLOCK = 1000.0  # frames at 120 quarters a minute
MS = RATE / 1000


def wide_open(frame: float, span: float) -> Servo:
    """A servo long after its beginning that is still wide, one period before a frame."""
    return Servo(RATE, frame - span, frame - span, 1.0, Lock.LISTENING, LONG)


def follow(arrivals: np.ndarray, span: float = CLOCK, servo: Servo | None = None) -> list[Servo]:
    states = [servo or begun(Servo(RATE), float(arrivals[0]))]
    for arrival in arrivals[1:]:
        states.append(step(states[-1], float(arrival), span))
    return states


@pytest.mark.parametrize(
    ("frames", "rate", "bc"),
    [
        (128, 48_000, (0.0236953756702, 0.000280735414075)),
        (256, 48_000, (0.0473907513404, 0.0011229416563)),
        (1024, 48_000, (0.189563005361, 0.0179670665008)),
    ],
)
def test_the_coefficients_are_those_of_the_paper(frames, rate, bc):
    to_phase, to_ratio = gains(frames / rate, LONG, wide=True)
    assert (to_phase + to_ratio, to_ratio) == pytest.approx(bc, rel=1e-9)


def test_the_answer_to_one_late_clock_is_that_of_the_paper():
    span = 1024.0
    servo = wide_open(0.0, span)
    servo = step(servo, 0.0, span)
    expected = [
        (0.021333333333, 0.042856229672, 0.021351300400),
        (0.042856229672, 0.064171595939, 0.021347894509),
        (0.064171595939, 0.085486962206, 0.021344811433),
    ]
    for number, (t0_s, t1_s, e2_s) in enumerate(expected, 1):
        assert servo.expected(span) / RATE == pytest.approx(t0_s, abs=1e-7)
        late = 0.001 * RATE if number == 1 else 0.0
        servo = step(servo, number * span + late, span)
        # here w is of the period as it is estimated, there of the nominal one
        assert servo.expected(span) / RATE == pytest.approx(t1_s, abs=1e-7)
        assert servo.ratio * span / RATE == pytest.approx(e2_s, abs=1e-7)


def test_drift_of_100_ppm_is_known_after_two_seconds():
    span = 1024.0
    servo = step(wide_open(0.0, span), 0.0, span)
    for number in range(1, 102):
        servo = replace(step(servo, number * span * (1 + 100e-6), span), good=0)
    assert (servo.ratio - 1) * 1e6 == pytest.approx(100.009, abs=0.005)


def test_jitter_that_is_left_at_one_hertz():
    span = 1024.0
    late = np.random.default_rng(0).uniform(-0.001, 0.001, 40_000) * RATE
    servo, errors = wide_open(0.0, span), []
    for number, by in enumerate(late):
        errors.append(servo.expected(span) - number * span)
        servo = replace(step(servo, number * span + by, span), good=0, lean=0.0)
    assert np.std(errors[10_000:]) / MS == pytest.approx(0.227, rel=0.1)


def test_the_first_clocks_weigh_like_a_straight_line_through_all_of_them():
    late = np.random.default_rng(3).uniform(-100, 100, 13)
    arrivals = np.arange(13) * 1030.0 + late
    servo = Servo(RATE, float(arrivals[0]), float(arrivals[0]), 1.0, Lock.LISTENING, 1)
    for number in range(1, 13):
        servo = step(servo, float(arrivals[number]), CLOCK)
        slope, start = np.polyfit(np.arange(number + 1), arrivals[: number + 1], 1)
        assert servo.frame == pytest.approx(start + slope * number, abs=1e-6)
        assert servo.ratio * CLOCK == pytest.approx(slope, abs=1e-6)


def test_lock_is_earned_by_a_quarter_note_of_good_clocks():
    locks = [servo.lock for servo in follow(np.arange(40) * CLOCK)]
    assert locks.index(Lock.LOCKED) == GOOD_CLOCKS
    assert set(locks[GOOD_CLOCKS:]) == {Lock.LOCKED}


def test_a_gap_is_bridged_for_a_stated_time_and_the_lock_must_be_earned_again():
    servo = follow(np.arange(40) * CLOCK)[-1]
    last = servo.frame
    assert waited(servo, last + 2 * CLOCK, CLOCK).lock is Lock.LOCKED
    bridging = waited(servo, last + 3 * CLOCK, CLOCK)
    assert bridging.lock is Lock.BRIDGING
    assert bridging.expected(CLOCK) == servo.expected(CLOCK)
    assert waited(bridging, last + BRIDGE_S * RATE, CLOCK).lock is Lock.BRIDGING
    assert waited(bridging, last + BRIDGE_S * RATE + 1, CLOCK).lock is Lock.GONE
    again = follow(last + np.arange(24, 60) * CLOCK, servo=step(bridging, last + 24_000, 24_000))
    assert again[0].lock is Lock.LISTENING
    assert again[GOOD_CLOCKS].lock is Lock.LOCKED


def test_a_ramp_that_the_map_knows_is_followed_without_error():
    tempi_qpm = np.linspace(100, 140, 400)
    spans = 60 * RATE / 24 / tempi_qpm
    servo, frame = begun(Servo(RATE), 0.0), 0.0
    for span in spans:
        frame += float(span)
        servo = step(servo, frame, float(span))
        assert abs(servo.error) < 1e-6
    assert servo.ratio == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(("before_qpm", "after_qpm"), [(120, 140), (120, 90), (120, 126)])
def test_a_new_tempo_that_the_map_does_not_know_is_taken_up_within_a_second(before_qpm, after_qpm):
    steps = 60 * RATE / 24 / np.array([before_qpm] * 200 + [after_qpm] * 200)
    true = np.concatenate([[0.0], np.cumsum(steps)])
    states = follow(true)
    assert len(states) == len(true)
    second_later = 200 + round(after_qpm * 24 / 60)
    for number in range(second_later, len(true)):
        assert abs(states[number].frame - true[number]) < 1 * MS


@pytest.mark.parametrize(
    ("arrival_clocks", "lost"),
    [(1.0, 0), (1.4, 0), (0.6, 0), (2.0, 1), (1.7, 1), (4.1, 3), (25.0, 24), (0.1, -1), (0.0, -1)],
)
def test_clocks_that_are_missing_or_doubled(arrival_clocks, lost):
    servo = follow(np.arange(GOOD_CLOCKS + 1) * CLOCK)[-1]
    assert missing(servo, servo.frame + arrival_clocks * CLOCK, CLOCK) == lost


@settings(max_examples=60, deadline=None)
@given(
    qpm=st.floats(60, 200),
    ratio=st.floats(0.85, 1.15),
    jitter_ms=st.floats(0, 5),
    seed=st.integers(0, 10_000),
)
def test_whatever_the_jitter_every_clock_counts_once_and_the_grid_is_held(
    qpm, ratio, jitter_ms, seed
):
    span = 60 * RATE / 24 / qpm
    late = np.random.default_rng(seed).uniform(-jitter_ms, jitter_ms, 400) * MS
    true = np.arange(400) * span * ratio
    servo = begun(Servo(RATE), float(late[0]))
    for counted, arrival in enumerate((true + late)[1:], 1):
        assert missing(servo, float(arrival), span) == 0
        servo = step(servo, float(arrival), span)
        assert math.isfinite(servo.ratio)
        if counted > 200:
            assert abs(servo.frame - true[counted]) < 6 * MS  # Friberg and Sundberg's 6 ms
