"""Meters against music21, and bars in clocks and song positions against a table.

music21's TimeSignature says how many beats a compound meter has and how long they are.
A bar of n/d has 96 n/d clocks (24 to the quarter) and 16 n/d song positions (a
sixteenth each): MIDI 1.0 Detailed Specification 4.2.1, pp. 27 and 30; the
rows are computed from that.
"""

from fractions import Fraction

import pytest
from music21.meter import TimeSignature

from syncbox.score.meter import Meter
from syncbox.units import TICKS_PER_CLOCK, TICKS_PER_QUARTER, TICKS_PER_SONG_POSITION

# meter: clocks, song positions
BARS = {
    (2, 4): (48, 8),
    (3, 4): (72, 12),
    (4, 4): (96, 16),
    (2, 2): (96, 16),
    (5, 4): (120, 20),
    (7, 4): (168, 28),
    (3, 8): (36, 6),
    (5, 8): (60, 10),
    (6, 8): (72, 12),
    (7, 8): (84, 14),
    (9, 8): (108, 18),
    (12, 8): (144, 24),
    (5, 16): (30, 5),
    (15, 16): (90, 15),
    (5, 32): (15, Fraction(5, 2)),  # a bar line that no song position can name
}


@pytest.mark.parametrize("meter", BARS)
def test_clocks_and_song_positions_of_a_bar(meter):
    clocks, positions = BARS[meter]
    ticks = Meter.of(*meter).bar_ticks
    assert Fraction(ticks, TICKS_PER_CLOCK) == clocks
    assert Fraction(ticks, TICKS_PER_SONG_POSITION) == positions


@pytest.mark.parametrize(
    "meter",
    [(2, 4), (3, 4), (4, 4), (2, 2), (3, 2), (6, 8), (9, 8), (12, 8), (15, 8), (6, 16), (9, 16)],
)
def test_beats_as_music21_counts_them(meter):
    ours, theirs = Meter.of(*meter), TimeSignature("{}/{}".format(*meter))
    assert ours.beat_count == theirs.beatCount
    lengths = {group * ours.unit_ticks for group in ours.groups}
    assert lengths == {Fraction(theirs.beatDuration.quarterLength) * TICKS_PER_QUARTER}
    assert ours.bar_ticks == Fraction(theirs.barDuration.quarterLength) * TICKS_PER_QUARTER


@pytest.mark.parametrize("meter", [(5, 8), (7, 8), (5, 4), (7, 4), (11, 8)])
def test_odd_meters_without_a_grouping_are_counted_in_units(meter):
    """As music21 does: nobody can guess whether 7/8 is 2+2+3 or 3+2+2."""
    assert Meter.of(*meter).beat_count == TimeSignature("{}/{}".format(*meter)).beatCount


def test_a_dotted_quarter_of_60_is_a_quarter_of_90():
    """Common practice, and music21's getQuarterBPM: 36 clocks a beat, 72 a bar of 6/8."""
    from music21.duration import Duration
    from music21.tempo import MetronomeMark

    mark = MetronomeMark(number=60, referent=Duration(1.5))
    assert mark.getQuarterBPM() == 90
    meter = Meter.of(6, 8)
    assert [start // TICKS_PER_CLOCK for start in meter.beat_starts()] == [0, 36]
    bar_s = Fraction(meter.bar_ticks, TICKS_PER_QUARTER) * 60 / 90
    assert bar_s == 2
