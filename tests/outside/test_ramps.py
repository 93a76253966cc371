"""Tempo ramps against numerical integration and against a table of worked values.

Elementary calculus: the time of quarter b is the integral of 60/T over the quarters
passed. mpmath's quadrature does that integral with 30 digits and knows nothing of our
closed forms. The table was computed once with the same three definitions of a ramp,
each value checked by quadrature to 1e-18; it is printed here to 12 decimals.
"""

from fractions import Fraction

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.score.song import RampShape
from syncbox.score.tempo import RampCurve, Segment, TempoMap
from syncbox.units import TICKS_PER_CLOCK, TICKS_PER_QUARTER

BEAT, TIME, PERIOD = RampShape.BY_BEAT, RampShape.BY_TIME, RampShape.BY_PERIOD

# from, to, quarters, at quarter: seconds by beat, by time, by period
TABLE = [
    ("120", "140", 8, 1, "0.494862892866", "0.494481501019", "0.495535714286"),
    ("120", "140", 8, 4, "1.921024984165", "1.917055034594", "1.928571428571"),
    ("120", "140", 8, 8, "3.699616315854", "3.692307692308", "3.714285714286"),
    ("120", "60", 16, 1, "0.507979173033", "0.506000864249", "0.515625000000"),
    ("120", "60", 16, 8, "4.602913159228", "4.467852479102", "5.000000000000"),
    ("120", "60", 16, 16, "11.090354888959", "10.666666666667", "12.000000000000"),
    ("60", "120", 4, 1, "0.892574205257", "0.861001748086", "0.937500000000"),
    ("60", "120", 4, 2, "1.621860432433", "1.549703546891", "1.750000000000"),
    ("60", "120", 4, 4, "2.772588722240", "2.666666666667", "3.000000000000"),
    ("100", "104", 32, 16, "9.505261102166", "9.504028041670", "9.507692307692"),
    ("100", "104", 32, 32, "18.825942313575", "18.823529411765", "18.830769230769"),
    ("140", "70", 8, 4, "1.972677068241", "1.914793919615", "2.142857142857"),
    ("140", "70", 8, 8, "4.753009238125", "4.571428571429", "5.142857142857"),
    ("90", "180", 64, 32, "17.299844612615", "16.530171166839", "18.666666666667"),
    ("90", "180", 64, 64, "29.574279703891", "28.444444444444", "32.000000000000"),
    ("120", "120.5", 4, 4, "1.995844871359", "1.995841995842", "1.995850622407"),
]
# Clocks of the first beat of 120 to 140 over 8, by beat: number and milliseconds (computed)
FIRST_CLOCKS_MS = {
    1: 20.82429632,
    2: 41.63053949,
    6: 124.6756051,
    12: 248.7068889,
    18: 372.1004769,
    24: 494.8628929,
}


def curve(start, end, quarters, shape):
    return RampCurve(Fraction(start), Fraction(end), Fraction(quarters), shape)


def exactly(value):
    return mpmath.mpf(value.numerator) / value.denominator


def by_quadrature(ramp, quarter):
    """Integral of 60/T from the ramp's start, T as each shape defines it, 30 digits."""
    first, last = exactly(ramp.from_qpm), exactly(ramp.to_qpm)
    whole = exactly(ramp.quarters)

    def seconds_a_quarter(at):
        share = at / whole
        if ramp.shape is BEAT:
            return 60 / (first + (last - first) * share)
        if ramp.shape is TIME:
            return 60 / mpmath.sqrt(first**2 + (last**2 - first**2) * share)
        return 60 / first + (60 / last - 60 / first) * share

    with mpmath.workdps(30):
        return mpmath.quad(seconds_a_quarter, [0, exactly(quarter)])


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]}-{row[1]} at {row[3]}")
@pytest.mark.parametrize("shape", [BEAT, TIME, PERIOD])
def test_the_table(row, shape):
    start, end, quarters, at, *seconds = row
    expected = float(seconds[(BEAT, TIME, PERIOD).index(shape)])
    found = curve(start, end, quarters, shape).seconds(Fraction(at))
    assert float(found) == pytest.approx(expected, abs=6e-13)


@pytest.mark.parametrize(("clock", "ms"), FIRST_CLOCKS_MS.items())
def test_clocks_inside_a_beat(clock, ms):
    ramp = curve(120, 140, 8, BEAT)
    tempo_map = TempoMap([Segment(0, 8 * TICKS_PER_QUARTER, ramp.from_qpm, ramp)])
    found = float(tempo_map.seconds_at(clock * TICKS_PER_CLOCK)) * 1000
    assert found == pytest.approx(ms, abs=6e-8)


tempi = st.fractions(20, 400, max_denominator=100)
shapes = st.sampled_from([BEAT, TIME, PERIOD])


@settings(max_examples=60, deadline=None)
@given(tempi, tempi, st.integers(1, 200), st.fractions(0, 1, max_denominator=997), shapes)
def test_any_ramp_agrees_with_quadrature(start, end, quarters, share, shape):
    if start == end:
        end = start + 1
    ramp = curve(start, end, quarters, shape)
    quarter = share * quarters
    expected = by_quadrature(ramp, quarter)
    assert abs(exactly(ramp.seconds(quarter)) - expected) < 1e-9
    many = ramp.seconds_of(np.array([float(quarter)]))
    assert abs(many[0] - expected) < 1e-9


@pytest.mark.parametrize("shape", [BEAT, TIME, PERIOD])
def test_a_ramp_that_hardly_moves_keeps_its_digits(shape):
    """Where the plain logarithm loses half its digits: 120 to 120.0001 over 400 quarters."""
    ramp = curve(120, "120.0001", 400, shape)
    assert abs(exactly(ramp.seconds(Fraction(400))) - by_quadrature(ramp, Fraction(400))) < 1e-9


@settings(max_examples=40, deadline=None)
@given(tempi, tempi, st.integers(1, 64))
def test_the_shapes_come_in_one_order(start, end, quarters):
    """At equal ends a ramp by time is shortest and one by period longest (computed)."""
    if abs(start - end) < 1:
        end = start + 1
    by_time, by_beat, by_period = (
        curve(start, end, quarters, shape).seconds(Fraction(quarters))
        for shape in (TIME, BEAT, PERIOD)
    )
    assert by_time < by_beat < by_period
