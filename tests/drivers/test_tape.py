from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.drivers import tape as tapes
from syncbox.drivers.tape import LATENCIES, Tape, TapeJob

JOB = TapeJob("", "a card", 0, (3, 1), rate=50)  # a ring of 1000 frames


def sound_of(frame: int, count: int) -> np.ndarray:
    """Four channels; each sample tells its frame and channel."""
    frames = np.arange(frame, frame + count, dtype=np.float32)
    return np.column_stack([frames + channel / 8 for channel in range(4)])


@pytest.fixture
def tape():
    found = Tape.create(JOB)
    yield found
    found.close()


@given(st.lists(st.tuples(st.integers(0, 120), st.integers(1, 300)), max_size=40))
def test_every_frame_is_where_its_number_says(blocks) -> None:
    tape = Tape.create(JOB)
    expected = np.zeros((20_000, 4), dtype=np.float32)
    frame = begin = 77
    for gap, count in blocks:
        frame += gap if frame > begin else 0
        tape.put(frame, sound_of(frame, count), 5)
        expected[frame : frame + count] = sound_of(frame, count)
        frame += count
    if blocks:
        assert tape.upto == frame
        first = max(begin, frame - tape.size)
        found, gone = tape.copy(first, frame, (0, 1))
        assert gone == 0
        np.testing.assert_array_equal(found, expected[first:frame][:, [2, 0]])
        missing = (expected[begin:frame].max(axis=1) == 0).sum()
        assert tape.lost_frames == missing
    tape.close()


def test_what_was_overwritten_is_silent_and_counted(tape) -> None:
    for frame in range(0, 1500, 100):
        tape.put(frame, sound_of(frame, 100), 5)
    found, gone = tape.copy(400, 600, (1,))
    assert gone == 100
    assert not found[:100].any()
    np.testing.assert_array_equal(found[100:, 0], np.arange(500, 600, dtype=np.float32))


def test_another_process_sees_the_same_and_an_engine_that_follows_goes_on(tape) -> None:
    tape.put(0, sound_of(0, 100), 5)
    follower = Tape.attach(tape.job)
    follower.put(150, sound_of(150, 50), 5)
    found, _ = tape.copy(0, 200, (0,))
    assert not found[100:150].any()
    assert (tape.upto, tape.lost_frames) == (200, 50)
    assert found[199, 0] == 199 + 2 / 8
    follower.close()


def test_a_gap_longer_than_the_ring_leaves_nothing_old_behind(tape) -> None:
    tape.put(0, sound_of(0, 1000), 5)
    tape.put(3333, sound_of(3333, 10), 5)
    found, gone = tape.copy(2400, 3343, (0, 1))
    assert gone == 0
    assert not found[:-10].any()
    assert tape.lost_frames == 2333


def test_the_way_from_the_input_is_the_middle_of_what_was_told(tape) -> None:
    assert not tape.settled
    for block in range(LATENCIES):
        tape.put(10 * block, sound_of(0, 10), 30 if block % 8 else 900)
    assert tape.settled
    assert tape.latency_frames == 30
    for block in range(LATENCIES, 2 * LATENCIES):
        tape.put(10 * block, sound_of(0, 10), 40)
    assert tape.latency_frames == 40


def test_the_ring_is_as_long_as_is_said() -> None:
    assert tapes.RING_SECONDS * JOB.rate == 1000
    assert tapes.size_of(dataclasses.replace(JOB, channels=(1,))) < tapes.size_of(JOB)
