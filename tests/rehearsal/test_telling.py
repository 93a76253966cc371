"""Two places of the form told apart by bars known to be of one or the other."""

from __future__ import annotations

import numpy as np
import pytest

from syncbox.rehearsal.likeness import Ties
from syncbox.rehearsal.telling import Telling

PASSES, BARS = 4, 8
FILL = 7  # the bar of the section that sounds like no other


def passes(stroke: float, *, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Looks of a section played four times, two bars going round, and its bass drum."""
    rng = np.random.default_rng(seed)
    groove, fill = rng.normal(0, 1, (2, 12, 8))
    looks = np.array([fill if n % BARS == FILL else groove for n in range(PASSES * BARS)])
    deep = np.zeros((PASSES * BARS, 1, 8))
    deep[1::2, 0, 3] = stroke
    return looks + rng.normal(0, 0.5, looks.shape), deep + rng.normal(0, 0.1, deep.shape)


def told(looks: np.ndarray, deep: np.ndarray | None, moved_bar: int) -> float:
    """What speaks for a bar of the second pass being where it is, against one place later."""
    place = np.tile(np.arange(BARS), PASSES)
    order = np.arange(PASSES * BARS)
    moved = order.copy()
    moved[BARS + moved_bar] += 1
    return Telling(looks, deep, Ties(place, place, place), order).says(moved)


def test_a_stroke_more_tells_two_bars_of_a_groove_apart() -> None:
    looks, deep = passes(stroke=2.0)
    assert told(looks, deep, 2) > 2.0
    assert told(looks, None, 2) < told(looks, deep, 2)


@pytest.mark.parametrize("seed", range(5))
def test_bars_that_are_played_alike_are_not_told_apart(seed: int) -> None:
    looks, deep = passes(stroke=0.0, seed=seed)
    assert abs(told(looks, deep, 2)) < 1.0


def test_a_bar_that_is_not_what_it_should_be_speaks_for_the_other_place() -> None:
    looks, deep = passes(stroke=2.0)
    deep[BARS + 2] = deep[3]
    assert told(looks, deep, 2) < -2.0


def test_of_too_few_passes_nothing_is_told() -> None:
    looks, deep = passes(stroke=2.0)
    place = np.arange(BARS)
    telling = Telling(looks[:BARS], deep[:BARS], Ties(place, place, place), np.arange(BARS))
    assert telling.says(np.minimum(np.arange(BARS) + 1, BARS - 1)) == 0.0
