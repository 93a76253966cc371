from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.lab.statistics import Spread, drift_ppm, match, outside, spread


def frames(*values):
    return np.array(values, dtype=np.int64)


ascending = st.lists(st.integers(0, 60), max_size=6, unique=True).map(sorted)


def least_cost(ideal, captured, window):
    """By trying every pairing: the sum of errors, with `window` for each event left alone."""
    best = window * (len(ideal) + len(captured))
    for count in range(1, min(len(ideal), len(captured)) + 1):
        for rows in combinations(ideal, count):
            for columns in combinations(captured, count):
                errors = sum(abs(a - b) for a, b in zip(rows, columns, strict=True))
                alone = len(ideal) + len(captured) - 2 * count
                best = min(best, errors + window * alone)
    return best


@given(ascending, ascending, st.integers(1, 20))
def test_the_pairing_is_the_cheapest_of_all(ideal, captured, window):
    found = match(frames(*ideal), frames(*captured), window_frames=window)
    cost = int(np.abs(found.errors).sum()) + window * (len(found.lost) + len(found.doubled))
    assert cost == least_cost(ideal, captured, window)


@given(ascending, ascending, st.integers(1, 20))
def test_every_event_is_paired_once_or_counted(ideal, captured, window):
    found = match(frames(*ideal), frames(*captured), window_frames=window)
    assert sorted([*found.ideal, *found.lost]) == list(range(len(ideal)))
    assert sorted([*found.captured, *found.doubled]) == list(range(len(captured)))
    assert list(found.ideal) == sorted(found.ideal)
    assert list(found.captured) == sorted(found.captured)
    assert (np.abs(found.errors) <= 2 * window).all()


grids = st.lists(st.integers(200, 3000), min_size=4, max_size=40).map(np.cumsum)


@given(grids, st.data())
def test_a_grid_with_small_errors_is_found_again(grid, data):
    errors = data.draw(st.lists(st.integers(-49, 49), min_size=len(grid), max_size=len(grid)))
    found = match(grid, grid + frames(*errors), window_frames=100)
    assert found.errors.tolist() == errors
    assert not len(found.lost)
    assert not len(found.doubled)


@given(grids, st.data())
def test_what_is_taken_away_is_lost_and_what_is_added_is_doubled(grid, data):
    gone = data.draw(st.integers(0, len(grid) - 1))
    found = match(grid, np.delete(grid, gone), window_frames=100)
    assert found.lost.tolist() == [gone]
    assert not found.errors.any()
    twice = np.sort(np.append(grid, grid[gone] + 7))
    found = match(grid, twice, window_frames=100)
    assert twice[found.doubled].tolist() == [grid[gone] + 7]
    assert not found.errors.any()


def test_a_burst_after_a_block_is_late_not_lost():
    grid = frames(0, 1000, 2000, 3000)
    found = match(grid, frames(0, 2040, 2050, 3000), window_frames=1000)
    assert found.errors.tolist() == [0, 1040, 50, 0]
    assert not len(found.lost)


def test_nothing_matches_nothing():
    nothing, some = frames(), frames(5, 9)
    assert match(nothing, nothing, window_frames=1).errors.shape == (0,)
    assert match(some, nothing, window_frames=1).lost.tolist() == [0, 1]
    assert match(nothing, some, window_frames=1).doubled.tolist() == [0, 1]


def test_the_spread_of_no_errors_is_none():
    assert spread(frames()) == Spread(None, None, None)


@given(st.lists(st.integers(-1000, 1000), min_size=1, max_size=200))
def test_quantiles_are_values_that_occurred(errors):
    found = spread(frames(*errors))
    sizes = sorted(abs(error) for error in errors)
    assert found.max == sizes[-1]
    assert found.p50 == sizes[(len(sizes) + 1) // 2 - 1]  # the median's lower value
    assert sum(size <= found.p99 for size in sizes) >= 0.99 * len(sizes)
    assert found.p99 in sizes


@settings(max_examples=50)
@given(st.floats(-200, 200), st.integers(10, 400))
def test_drift_is_found_behind_outliers(ppm, count):
    ideal = np.arange(count, dtype=np.int64) * 24_000
    errors = np.rint(ideal * ppm * 1e-6).astype(np.int64)
    errors[::10] += 5000  # a tenth of them wild
    resolution = 2e6 / float(ideal[count // 2])  # errors are whole frames
    assert drift_ppm(ideal, errors) == pytest.approx(ppm, abs=resolution)


def test_drift_needs_two_events_at_two_frames():
    assert drift_ppm(frames(), frames()) is None
    assert drift_ppm(frames(4), frames(0)) is None
    assert drift_ppm(frames(4, 4), frames(0, 1)) is None
    assert drift_ppm(frames(0, 1_000_000), frames(0, 3)) == pytest.approx(3)


def test_spans_are_left_out():
    spans = np.array([[10, 20], [15, 30]], dtype=np.int64)
    assert outside(frames(9, 10, 19, 29, 30), spans).tolist() == [True, False, False, False, True]
    assert outside(frames(9), np.empty((0, 2), np.int64)).tolist() == [True]
