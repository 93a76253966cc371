"""The best way through a chart, held against ways that are tried one by one."""

from __future__ import annotations

import numpy as np
import pytest
from building import section, song
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.rehearsal.chart import chart_of
from syncbox.rehearsal.walk import (
    DOUBLE_COST,
    END_COST,
    FRAME_S,
    RATIOS,
    SKIP_COST,
    START_COST,
    Walk,
)

CHART = chart_of(song(section("Verse", 4), tempo=240))
MIDDLE = len(RATIOS) // 2
LENGTH = round(CHART.bars[0].seconds / FRAME_S)


def walk(scores: np.ndarray) -> Walk:
    """A walk in which only the map's own tempo scores."""
    wide = np.full((len(scores), 1, len(RATIOS)), -1000.0, dtype=np.float32)
    wide[:, 0, MIDDLE] = scores
    kinds = np.zeros(len(CHART.bars), dtype=np.int64)
    return Walk(CHART.bars, wide, kinds, np.zeros(len(scores) + 1))


def best_by_hand(scores: np.ndarray) -> float:
    """Every way at the map's tempo, bar after bar, by trying all of them."""
    count, frames = len(CHART.bars), len(scores)
    best = 0.0

    def go(at: int, bar: int, so_far: float) -> None:
        nonlocal best
        end = at + LENGTH
        if end > frames:
            return
        so_far += float(scores[at])
        best = max(best, so_far - (0.0 if bar == count - 1 else END_COST))
        for follows, cost in ((bar + 1, 0.0), (bar + 2, SKIP_COST), (bar, DOUBLE_COST)):
            if follows < count:
                go(end, follows, so_far - cost)

    for at in range(frames):
        for bar in range(count):
            go(at, bar, 0.0 if bar == 0 else -START_COST)
    return best


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(3, 5))
def test_no_way_is_better(seed: int, bars: int) -> None:
    rng = np.random.default_rng(seed)
    scores = rng.normal(0, 6, bars * LENGTH + int(rng.integers(LENGTH)))
    nothing = np.zeros(len(scores) + 1, dtype=np.float32)
    course = walk(scores).run(nothing, nothing, np.zeros(len(scores) + 1))
    assert course.score == pytest.approx(best_by_hand(scores), abs=1e-3)


def test_the_way_is_the_one_that_scored() -> None:
    scores = np.full(4 * LENGTH + 5, -20.0)
    scores[[2, 2 + LENGTH, 2 + 2 * LENGTH]] = 30.0
    nothing = np.zeros(len(scores) + 1, dtype=np.float32)
    course = walk(scores).run(nothing, nothing, np.zeros(len(scores) + 1))
    assert [bar.index for bar in course.placed] == [0, 1, 2]
    assert course.placed[0].start_s == pytest.approx(2 * FRAME_S)
    assert course.score == pytest.approx(90.0 - END_COST)
