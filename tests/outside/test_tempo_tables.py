"""Tempi in milliseconds, note by note; metric modulation; the spacing of MIDI clocks.

Every figure is arithmetic that any musician's table of delay times prints: a quarter
lasts 60 000 ms divided by its tempo. Clock spacing follows from 24 to the quarter
(MIDI 1.0 Detailed Specification 4.2.1, p. 30). All computed.
"""

from fractions import Fraction

import pytest

from syncbox.engine.ports import clock_interval
from syncbox.score.layout import lay_out, usual_path
from syncbox.score.meter import Meter
from syncbox.score.song import At, Body, Item, Modulation, Section, Song
from syncbox.score.tempo import TempoMap
from syncbox.units import TICKS_PER_QUARTER, round_half_up, seconds_per_tick

NOTES = {  # in quarters
    "1/4": Fraction(1),
    "1/8": Fraction(1, 2),
    "1/8 triplet": Fraction(1, 3),
    "1/16": Fraction(1, 4),
    "dotted 1/4": Fraction(3, 2),
    "dotted 1/8": Fraction(3, 4),
    "4/4 bar": Fraction(4),
}
# quarters a minute: milliseconds of each of the notes above
MILLISECONDS = {
    40: (1500, 750, 500, 375, 2250, 1125, 6000),
    60: (1000, 500, 333.333333, 250, 1500, 750, 4000),
    63: (952.380952, 476.190476, 317.460317, 238.095238, 1428.571429, 714.285714, 3809.523810),
    72: (833.333333, 416.666667, 277.777778, 208.333333, 1250, 625, 3333.333333),
    80: (750, 375, 250, 187.5, 1125, 562.5, 3000),
    88: (681.818182, 340.909091, 227.272727, 170.454545, 1022.727273, 511.363636, 2727.272727),
    90: (666.666667, 333.333333, 222.222222, 166.666667, 1000, 500, 2666.666667),
    96: (625, 312.5, 208.333333, 156.25, 937.5, 468.75, 2500),
    100: (600, 300, 200, 150, 900, 450, 2400),
    108: (555.555556, 277.777778, 185.185185, 138.888889, 833.333333, 416.666667, 2222.222222),
    120: (500, 250, 166.666667, 125, 750, 375, 2000),
    128: (468.75, 234.375, 156.25, 117.1875, 703.125, 351.5625, 1875),
    130: (461.538462, 230.769231, 153.846154, 115.384615, 692.307692, 346.153846, 1846.153846),
    140: (428.571429, 214.285714, 142.857143, 107.142857, 642.857143, 321.428571, 1714.285714),
    150: (400, 200, 133.333333, 100, 600, 300, 1600),
    160: (375, 187.5, 125, 93.75, 562.5, 281.25, 1500),
    174: (344.827586, 172.413793, 114.942529, 86.206897, 517.241379, 258.620690, 1379.310345),
    180: (333.333333, 166.666667, 111.111111, 83.333333, 500, 250, 1333.333333),
    200: (300, 150, 100, 75, 450, 225, 1200),
    240: (250, 125, 83.333333, 62.5, 375, 187.5, 1000),
}
# "old = new" in quarters, from one tempo of the quarter to the next
MODULATIONS = [
    (120, "eighth triplet = eighth", Fraction(1, 3), Fraction(1, 2), 180),
    (120, "dotted quarter = quarter", Fraction(3, 2), Fraction(1), 80),
    (90, "quarter = dotted quarter", Fraction(1), Fraction(3, 2), 135),
    (96, "dotted eighth = quarter", Fraction(3, 4), Fraction(1), 128),
    (80, "quarter triplet = quarter", Fraction(2, 3), Fraction(1), 120),
    (100, "16th quintuplet = 16th", Fraction(1, 5), Fraction(1, 4), 125),
    (132, "half = quarter", Fraction(2), Fraction(1), 66),
    (144, "eighth = eighth triplet", Fraction(1, 2), Fraction(1, 3), 96),
]
# tempo: milliseconds between clocks, frames at 48 kHz, frames at 44.1 kHz
CLOCKS = {
    60: (41.666666667, 2000, 1837.5),
    80: (31.25, 1500, 1378.125),
    90: (27.777777778, 1333.333333, 1225),
    100: (25, 1200, 1102.5),
    120: (20.833333333, 1000, 918.75),
    128: (19.53125, 937.5, 861.328125),
    130: (19.230769231, 923.076923, 848.076923),
    140: (17.857142857, 857.142857, 787.5),
    174: (14.367816092, 689.655172, 633.620690),
    180: (13.888888889, 666.666667, 612.5),
    200: (12.5, 600, 551.25),
    240: (10.416666667, 500, 459.375),
    300: (8.333333333, 400, 367.5),
}
# Milliseconds that four minutes of quarters drift at 48 kHz when a rounded beat is added up
ADDED_UP_MS = {97: 2.25, 113: 2.583, 130: 1.667, 140: -5.0, 174: 4.0}


@pytest.mark.parametrize("tempo", MILLISECONDS)
def test_note_lengths(tempo):
    tempo_map = TempoMap.steady(Fraction(tempo), 4 * TICKS_PER_QUARTER)
    for quarters, ms in zip(NOTES.values(), MILLISECONDS[tempo], strict=True):
        ticks = quarters * TICKS_PER_QUARTER
        assert ticks.denominator == 1
        assert float(tempo_map.seconds_at(int(ticks)) * 1000) == pytest.approx(ms, abs=5.1e-7)


@pytest.mark.parametrize(("old", "words", "was", "becomes", "new"), MODULATIONS)
def test_metric_modulation(old, words, was, becomes, new):
    change = Item(At(), Modulation(was, becomes))
    sections = (Section("A", Body(2)), Section("B", Body(2, (change,))))
    song = Song("m", words, Fraction(old), sections)
    steps = usual_path(lay_out(song))
    assert [step.leg.tempo_map.tempo_at(0) for step in steps] == [old, new]
    note_s = was * TICKS_PER_QUARTER * seconds_per_tick(Fraction(old))
    assert note_s == becomes * TICKS_PER_QUARTER * seconds_per_tick(Fraction(new))


@pytest.mark.parametrize("tempo", CLOCKS)
def test_clock_spacing(tempo):
    ms, frames_48, frames_44 = CLOCKS[tempo]
    spacing = {rate: clock_interval(Fraction(tempo), rate) for rate in (1000, 48_000, 44_100)}
    assert float(spacing[1000]) == pytest.approx(ms, abs=5.1e-10)
    assert float(spacing[48_000]) == pytest.approx(frames_48, abs=5.1e-7)
    assert float(spacing[44_100]) == pytest.approx(frames_44, abs=5.1e-7)


@pytest.mark.parametrize("tempo", ADDED_UP_MS)
def test_a_song_does_not_drift_as_added_up_beats_would(tempo):
    beats, rate = 4 * tempo, 48_000
    beat = Fraction(60 * rate, tempo)
    drift = beats * (round_half_up(beat) - beat) * 1000 / rate
    assert float(drift) == pytest.approx(ADDED_UP_MS[tempo], abs=5.1e-4)
    bars = Body(tempo)  # of 4/4: four minutes
    song = Song("d", "Drift", Fraction(tempo), (Section("A", bars),), meter=Meter.of(4, 4))
    path = usual_path(lay_out(song))
    assert sum(step.leg.duration_s for step in path) == 240
