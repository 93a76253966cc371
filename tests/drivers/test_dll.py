from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from syncbox.drivers.dll import follow, time_of_frame, track

RATE, BLOCK = 48_000, 256
PERIOD_S = BLOCK / RATE


def run(tracker, moments_s, *, first=BLOCK):
    for number, now_s in enumerate(moments_s):
        tracker = follow(tracker, first + number * BLOCK, BLOCK, now_s)
    return tracker


def test_it_narrows_after_locking():
    tracker = run(track(RATE, 0, BLOCK, 0.0), [n * PERIOD_S for n in range(1, 2_000)])
    before_s = tracker.loop.t1_s
    late = follow(tracker, 2_000 * BLOCK, BLOCK, 2_000 * PERIOD_S + 0.001)
    moved_s = late.loop.t1_s - before_s - PERIOD_S
    assert 0 < moved_s < 0.000_01  # a hundredth of what it heard; wide, it would be a twentieth


def test_a_jump_begins_anew_and_is_counted():
    tracker = run(track(RATE, 0, BLOCK, 0.0), [n * PERIOD_S for n in range(1, 10)])
    jumped = follow(tracker, 10 * BLOCK, BLOCK, 10 * PERIOD_S + 1.0)
    assert jumped.jumps == 1
    assert time_of_frame(jumped.loop, 10 * BLOCK) == 10 * PERIOD_S + 1.0


def test_lost_frames_begin_anew():
    tracker = run(track(RATE, 0, BLOCK, 0.0), [n * PERIOD_S for n in range(1, 10)])
    assert follow(tracker, 12 * BLOCK, BLOCK, 12 * PERIOD_S).jumps == 1


@given(jitter_s=st.lists(st.floats(-0.002, 0.002), min_size=1, max_size=300))
def test_time_never_runs_backwards(jitter_s):
    tracker = track(RATE, 0, BLOCK, 0.0)
    newest_s = 0.0
    for number, late_s in enumerate(jitter_s, 1):
        tracker = follow(tracker, number * BLOCK, BLOCK, number * PERIOD_S + late_s)
        first_s = time_of_frame(tracker.loop, number * BLOCK)
        last_s = time_of_frame(tracker.loop, number * BLOCK + BLOCK - 1)
        assert newest_s <= first_s <= last_s
        newest_s = first_s
