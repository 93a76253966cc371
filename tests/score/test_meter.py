from __future__ import annotations

from fractions import Fraction

import pytest
from building import meters
from hypothesis import given

from syncbox.score.meter import Meter
from syncbox.units import TICKS_PER_QUARTER


@given(meters)
def test_beats_fill_the_bar_and_come_in_order(meter: Meter) -> None:
    starts = [*meter.beat_starts(), meter.bar_ticks]
    assert starts[0] == 0
    assert starts == sorted(set(starts))
    assert len(starts) == meter.beat_count + 1


def test_grouping_moves_the_beats() -> None:
    eighth = TICKS_PER_QUARTER // 2
    assert Meter.of(7, 8, (2, 2, 3)).beat_starts() == (0, 2 * eighth, 4 * eighth)
    assert Meter.of(6, 8).beat_starts() == (0, 3 * eighth)
    assert Meter.of(3, 8).beat_count == 3


@pytest.mark.parametrize(
    ("beat", "eighths"), [("1", 0), ("2", 2), ("5/2", 3), ("3", 4), ("10/3", 5)]
)
def test_a_fraction_of_a_beat_is_a_fraction_of_its_group(beat: str, eighths: int) -> None:
    meter = Meter.of(7, 8, (2, 2, 3))
    assert meter.tick_of_beat(Fraction(beat)) == eighths * TICKS_PER_QUARTER // 2


def test_a_meter_reads_as_a_musician_writes_it() -> None:
    assert str(Meter.of(6, 8)) == "6/8"
    assert str(Meter.of(7, 8, (2, 2, 3))) == "7/8 as 2+2+3"
