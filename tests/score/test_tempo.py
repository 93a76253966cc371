from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from building import ramp_shapes, tempos_qpm
from hypothesis import example, given
from hypothesis import strategies as st

from syncbox.score.song import RampShape
from syncbox.score.tempo import RampCurve, Segment, TempoMap
from syncbox.units import TICKS_PER_QUARTER

RIT = RampCurve(Fraction(140), Fraction(60), Fraction(7, 2), RampShape.BY_TIME)


@st.composite
def tempo_maps(draw: st.DrawFn) -> TempoMap:
    segments, tick = [], 0
    for _ in range(draw(st.integers(1, 5))):
        ticks = draw(st.integers(1, 40)) * TICKS_PER_QUARTER // 2
        start = draw(tempos_qpm)
        curve = None
        if draw(st.booleans()):
            whole = Fraction(ticks, TICKS_PER_QUARTER) * draw(st.integers(1, 3))
            curve = RampCurve(start, draw(tempos_qpm), whole, draw(ramp_shapes))
        segments.append(Segment(tick, ticks, start, curve))
        tick += ticks
    return TempoMap(segments)


@given(tempo_maps(), st.integers(0, 10**7))
@example(TempoMap([Segment(0, 70_560, Fraction(140), RIT)]), 0)
def test_later_ticks_sound_later(tempo_map: TempoMap, tick: int) -> None:
    assert tempo_map.seconds_at(tick) < tempo_map.seconds_at(tick + 1)


@given(tempo_maps(), st.data())
def test_many_at_once_agree_with_one_by_one(tempo_map: TempoMap, data: st.DataObject) -> None:
    ticks = sorted(data.draw(st.lists(st.integers(0, tempo_map.ticks), max_size=20)))
    together = tempo_map.seconds_of(np.array(ticks, dtype=np.int64))
    one_by_one = [float(tempo_map.seconds_at(tick)) for tick in ticks]
    assert together == pytest.approx(one_by_one, rel=1e-12, abs=1e-12)


@given(tempo_maps(), st.data())
def test_time_to_tick_undoes_tick_to_time(tempo_map: TempoMap, data: st.DataObject) -> None:
    tick = data.draw(st.integers(0, tempo_map.ticks))
    assert tempo_map.tick_at(tempo_map.seconds_at(tick)) == tick


@given(tempos_qpm, tempos_qpm, ramp_shapes, st.integers(1, 63))
def test_a_ramp_cut_in_two_is_the_ramp(
    start: Fraction, end: Fraction, shape: RampShape, cut: int
) -> None:
    ticks = 64 * TICKS_PER_QUARTER
    curve = RampCurve(start, end, Fraction(64), shape)
    whole = TempoMap([Segment(0, ticks, start, curve)])
    at = cut * TICKS_PER_QUARTER
    parts = TempoMap(
        [Segment(0, at, start, curve), Segment(at, ticks - at, whole.tempo_at(at), curve, at)]
    )
    assert float(parts.duration_s) == pytest.approx(float(whole.duration_s), rel=1e-13)
    middle = (at + ticks) // 2
    assert float(parts.seconds_at(middle)) == pytest.approx(
        float(whole.seconds_at(middle)), rel=1e-13
    )


def test_a_steady_tempo_is_exact_however_long() -> None:
    tempo_map = TempoMap.steady(Fraction(97), 97 * 1_000_000 * TICKS_PER_QUARTER)
    assert tempo_map.seconds_at(tempo_map.ticks) == 60_000_000


def test_a_step_has_the_new_tempo_on_its_tick() -> None:
    quarter = TICKS_PER_QUARTER
    tempo_map = TempoMap(
        [Segment(0, quarter, Fraction(60)), Segment(quarter, quarter, Fraction(120))]
    )
    assert tempo_map.tempo_at(quarter - 1) == 60
    assert tempo_map.tempo_at(quarter) == 120
    assert tempo_map.seconds_at(3 * quarter) == 2  # past the end the last tempo goes on
    assert tempo_map.seconds_at(-quarter) == -1
    assert (tempo_map.slowest_qpm(), tempo_map.fastest_qpm()) == (60, 120)
