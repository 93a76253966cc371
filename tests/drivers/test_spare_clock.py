"""Where another computer's sound card is, from late callbacks and a slow network."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.drivers.spare_clock import Frames, Offset

RATE, BLOCK = 48_000, 256
MS = 1_000_000
EPOCH_NS = 77_000_000_000_000


def watched(
    chance: random.Random, *, ppm: float = 0.0, late_ms: float = 2.0, seconds: float = 8.0
) -> tuple[Frames, float]:
    """Ten blocks a second, each as late as chance wants; and the true length of a frame."""
    frames, frame_ns = Frames(RATE), 1e9 / RATE / (1 + ppm / 1e6)
    for number in range(int(seconds * 10)):
        frame = number * RATE // 10 // BLOCK * BLOCK
        late_ns = min(chance.expovariate(1 / (late_ms * MS / 10)), late_ms * MS)
        frames.add(frame, EPOCH_NS + int(frame * frame_ns + late_ns))
    return frames, frame_ns


@given(st.integers(0, 10**6), st.floats(-150, 150))
@settings(max_examples=60, deadline=None)
def test_the_lower_edge_is_found_under_late_callbacks(seed: int, ppm: float) -> None:
    frames, frame_ns = watched(random.Random(seed), ppm=ppm)
    assert frames.line is not None
    now_ns = EPOCH_NS + 8e9
    true = (now_ns - EPOCH_NS) / frame_ns
    # Half the 6 ms that a listener hears (Friberg and Sundberg 1995), in frames.
    assert abs(frames.line.frame_at(now_ns) - true) < 0.003 * RATE / 6
    assert frames.line.ppm(RATE) == pytest.approx(ppm, abs=150)


def test_without_lateness_it_is_exact() -> None:
    frames, frame_ns = watched(random.Random(0), ppm=80, late_ms=0.000001)
    assert frames.line is not None
    assert frames.line.ppm(RATE) == pytest.approx(80, abs=0.1)
    assert frames.line.frame_at(EPOCH_NS + 8e9) == pytest.approx(8e9 / frame_ns, abs=0.1)


def test_frames_that_are_numbered_anew_are_noticed() -> None:
    for shift in (-RATE, RATE // 4, -RATE // 4, 10 * RATE):
        frames, _ = watched(random.Random(1), late_ms=0.2)
        for number in range(80, 110):
            frame = number * RATE // 10 // BLOCK * BLOCK
            frames.add(frame + shift, EPOCH_NS + frame * 1_000_000_000 // RATE)
        assert frames.line is not None
        true = 11 * RATE + shift
        assert abs(frames.line.frame_at(EPOCH_NS + 11e9) - true) < 0.0005 * RATE, shift


def test_after_a_pause_it_begins_anew() -> None:
    frames, _ = watched(random.Random(1))
    assert frames.span_ns > 5e9
    frames.add(20 * RATE, EPOCH_NS + 20_000 * MS)
    assert frames.span_ns == 0


def test_the_same_block_twice_is_one() -> None:
    frames = Frames(RATE)
    frames.add(256, EPOCH_NS)
    frames.add(256, EPOCH_NS + 5)
    assert frames.span_ns == 0


def ask(offset: Offset, at_ns: int, there_ns: int, back_ns: int, ahead_ns: int) -> None:
    """One question; the other clock is `ahead_ns` ahead of ours."""
    heard_ns = at_ns + there_ns + ahead_ns
    offset.add(at_ns, heard_ns, heard_ns + 50_000, at_ns + there_ns + 50_000 + back_ns)


def test_four_time_stamps_give_offset_and_delay_as_the_standard_says() -> None:
    # RFC 5905, section 8: offset ((T2-T1) + (T3-T4)) / 2, delay (T4-T1) - (T3-T2).
    offset = Offset()
    offset.add(1000, 5400, 5600, 2200)
    found = offset.difference(2200)
    assert found is not None
    assert found.ns == ((5400 - 1000) + (5600 - 2200)) // 2
    assert found.within_ns == ((2200 - 1000) - (5600 - 5400)) // 2


@given(st.integers(0, 10**6))
@settings(max_examples=60, deadline=None)
def test_a_jittery_network_is_seen_through_and_its_doubt_is_honest(seed: int) -> None:
    chance, offset, ahead_ns = random.Random(seed), Offset(), -3_600_000_000_000
    for number in range(40):
        there, back = (int(200_000 + chance.expovariate(1 / 5) * MS) for _ in range(2))
        ask(offset, EPOCH_NS + number * 250 * MS, there, back, ahead_ns)
    found = offset.difference(EPOCH_NS + 40 * 250 * MS)
    assert found is not None
    assert abs(found.ns - ahead_ns) <= found.within_ns


def test_clocks_that_drift_are_followed() -> None:
    offset = Offset()
    for number in range(100):
        at_ns = EPOCH_NS + number * 250 * MS
        ask(offset, at_ns, 150_000, 150_000, number * 250 * MS * 80 // 1_000_000)
    now_ns = EPOCH_NS + 99 * 250 * MS
    found = offset.difference(now_ns)
    assert found is not None
    assert abs(found.ns - 99 * 250 * MS * 80 // 1_000_000) < 200_000


def test_an_answer_before_its_question_is_no_answer() -> None:
    offset = Offset()
    offset.add(1000, 5000, 5000, 900)
    offset.add(1000, 5000, 9000, 1100)
    assert offset.difference(2000) is None
