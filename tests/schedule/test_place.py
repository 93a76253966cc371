from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.schedule.place import FrameGrid
from syncbox.score.song import RampShape
from syncbox.score.tempo import RampCurve, Segment, TempoMap
from syncbox.units import TICKS_PER_QUARTER, round_half_up

STEPS = TempoMap(
    [
        Segment(0, 4 * TICKS_PER_QUARTER, Fraction(97)),
        Segment(4 * TICKS_PER_QUARTER, 3 * TICKS_PER_QUARTER, Fraction(140)),
        Segment(7 * TICKS_PER_QUARTER, 5 * TICKS_PER_QUARTER, Fraction(1173, 10)),
    ]
)


@given(
    st.integers(0, STEPS.ticks),
    st.fractions(min_value=-(10**6), max_value=10**10, max_denominator=10**6),
    st.sampled_from([44_100, 48_000, 96_000]),
)
def test_placing_is_the_exact_time_rounded_once(tick: int, start: Fraction, rate: int) -> None:
    offsets = FrameGrid.of(STEPS, rate).offsets(np.array([tick], dtype=np.int64))
    expected = round_half_up(start + STEPS.seconds_at(tick) * rate)
    assert offsets.frames(start).tolist() == [expected]


def test_a_tie_goes_up_as_the_rounding_rule_says() -> None:
    # At 60 quarters a minute and 44.1 kHz every second clock falls on half a frame.
    grid = FrameGrid.of(TempoMap.steady(Fraction(60), TICKS_PER_QUARTER), 44_100)
    clocks = np.arange(0, TICKS_PER_QUARTER, TICKS_PER_QUARTER // 24)
    frames = grid.offsets(clocks).frames(Fraction(0)).tolist()
    assert frames[:4] == [0, 1838, 3675, 5513]


def test_five_hundred_rounds_do_not_drift() -> None:
    vamp = TempoMap.steady(Fraction(113), 4 * TICKS_PER_QUARTER)
    grid = FrameGrid.of(vamp, 44_100)
    offsets = grid.offsets(np.array([0, TICKS_PER_QUARTER], dtype=np.int64))
    start = Fraction(0)
    for _ in range(500):
        start += grid.length
    assert offsets.frames(start)[0] == round_half_up(Fraction(500 * 4 * 60 * 44_100, 113))


def test_a_ramp_is_placed_to_a_millionth_of_a_frame() -> None:
    curve = RampCurve(Fraction(60), Fraction(200), Fraction(64), RampShape.BY_BEAT)
    ramp = TempoMap([Segment(0, 64 * TICKS_PER_QUARTER, Fraction(60), curve)])
    ticks = np.arange(0, ramp.ticks, 840)
    offsets = FrameGrid.of(ramp, 48_000).offsets(ticks)
    exact = [ramp.seconds_at(int(tick)) * 48_000 for tick in ticks]
    placed = offsets.numerators / offsets.denominators[offsets.segments]
    assert np.max(np.abs(placed - np.array([float(value) for value in exact]))) < 2e-6


def test_a_tempo_with_many_digits_still_places_within_a_millionth() -> None:
    odd = TempoMap.steady(Fraction(117_123_457, 1_000_003), 4 * TICKS_PER_QUARTER)
    offsets = FrameGrid.of(odd, 48_000).offsets(np.array([3 * TICKS_PER_QUARTER], dtype=np.int64))
    exact = odd.seconds_at(3 * TICKS_PER_QUARTER) * 48_000
    placed = Fraction(int(offsets.numerators[0]), int(offsets.denominators[0]))
    assert abs(placed - exact) < Fraction(1, 10**6)


def test_more_than_twelve_hours_in_one_piece_is_refused() -> None:
    endless = TempoMap.steady(Fraction(20), 20 * 60 * 13 * TICKS_PER_QUARTER)
    with pytest.raises(ValueError, match="twelve hours"):
        FrameGrid.of(endless, 48_000)
