"""A way that has slid off the beats of a band that plays to a click is put back on them."""

import numpy as np
import pytest
from building import section, song

from syncbox.rehearsal.chart import chart_of
from syncbox.rehearsal.straight import straightened
from syncbox.rehearsal.walk import FRAME_S, RATIOS, Course, Placed

BAR_S = 2.0  # at 120
BARS = chart_of(song(section("Verse", 24), tempo=120)).bars
FIRST = next(n for n, bar in enumerate(BARS) if not bar.opening)
FRAMES = 2600


def heard(beats_s: np.ndarray, loud: float = 1.0) -> np.ndarray:
    """Scores of one kind of bar: high where one begins on any of the beats."""
    scores = np.full((FRAMES, 1, len(RATIOS)), -1.0, np.float32)
    at = np.round(beats_s / FRAME_S).astype(int)
    scores[at[at < FRAMES]] = loud
    return scores


def course(starts_s: np.ndarray) -> Course:
    placed = [Placed(FIRST + n, float(at), float(at) + BAR_S, 1.0) for n, at in enumerate(starts_s)]
    return Course(tuple(placed), 24.0)


def starts(found: Course) -> np.ndarray:
    return np.array([p.start_s for p in found.placed])


CLICK = 1.0 + BAR_S * np.arange(24)
KIND = np.zeros(len(BARS), np.int64)


@pytest.mark.parametrize("share", [0.5, 0.25, -0.5, 1.0])
def test_bars_that_slid_go_back_to_the_line(share: float) -> None:
    slid = CLICK.copy()
    slid[8:16] += share * BAR_S / 4
    scores = heard(np.concatenate([CLICK, slid]))
    found = straightened(BARS, course(slid), scores, KIND)
    assert np.abs(starts(found) - CLICK).max() < 0.03
    assert [p.index for p in found.placed] == [p.index for p in course(slid).placed]


@pytest.mark.parametrize("shift_s", [np.linspace(0, 0.9, 24), 0.2 * np.sin(np.arange(24) / 4)])
def test_a_band_that_bends_is_left_as_it_is(shift_s: np.ndarray) -> None:
    bent = CLICK + shift_s
    own = course(bent)
    assert straightened(BARS, own, heard(bent), KIND) == own


def test_a_band_on_the_line_is_left_as_it_is() -> None:
    own = course(CLICK)
    assert straightened(BARS, own, heard(CLICK), KIND) == own


def test_too_few_bars_are_no_line() -> None:
    slid = CLICK[:11].copy()
    slid[5:9] += BAR_S / 8
    own = course(slid)
    assert straightened(BARS, own, heard(np.concatenate([CLICK, slid])), KIND) == own
