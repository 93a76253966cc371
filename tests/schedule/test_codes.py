"""Clock pulses, and the code that a song of the set keeps when it is taken alone."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from building import RIG, item, play, program_of, section, show_of, song

from syncbox.schedule.codes import alone, pulse_clip, pulse_ticks, set_codes
from syncbox.score.layout import lay_out
from syncbox.score.meter import Meter
from syncbox.score.rig import Mix, Pulse, SetList
from syncbox.score.song import CountIn, Hold
from syncbox.score.timecode import CodeRate, SetTimeCode, TimeCode
from syncbox.units import TICKS_PER_QUARTER


def pulsing(per_quarter, **more):
    mixes = (Mix("modular", (1,), {"clock-pulse": 0.0}, ceiling_db=0.0),)
    return replace(RIG, mixes=mixes, pulse=Pulse(per_quarter, **more))


@pytest.mark.parametrize("per_quarter", [1, 2, 4, 24, 48])
@pytest.mark.parametrize("meter", [Meter.of(4, 4), Meter.of(7, 8, (2, 2, 3)), Meter.of(5, 16)])
def test_pulses_divide_the_quarter_evenly_from_the_bar_line(per_quarter, meter):
    (leg,) = lay_out(song(section("A", 4), meter=meter)).legs
    ticks = list(pulse_ticks(leg, Pulse(per_quarter)))
    step = TICKS_PER_QUARTER // per_quarter
    assert ticks == list(range(0, leg.ticks, step))


def test_pulses_run_in_the_music_only():
    hold = item(Hold(usual_seconds=Fraction(2)), 1, 4)
    written = song(section("A", 1, hold), section("B", 1), count_in=CountIn(bars=1))
    played = play(program_of(written, rig=pulsing(2, length_ms=Fraction(5), level_db=-6.0)))
    row = played.audio[0]
    start = played.frames("start")[0] + 96
    begins = np.flatnonzero((row[1:] > 0) & (row[:-1] == 0)) + 1 - start
    bar = [12_000 * n for n in range(8)]
    assert begins.tolist() == [*bar, *(192_000 + frame for frame in bar)]
    assert np.count_nonzero(row) == 16 * 240
    assert np.unique(row).tolist() == pytest.approx([0.0, 10 ** (-6 / 20)])


def test_a_pulse_is_as_long_and_as_high_as_it_is_written():
    assert pulse_clip(Pulse(2), 48_000).shape == (1, 240)
    assert pulse_clip(Pulse(2, Fraction(1)), 44_100).shape == (1, 44)
    assert pulse_clip(Pulse(2), 48_000).max() == 1.0


def test_a_song_taken_alone_keeps_the_code_of_the_set():
    one = song(section("A", 4), count_in=CountIn(bars=1))
    own = replace(one, time_code=TimeCode(CodeRate.FPS_30, 7))
    show = show_of(one, own, one)
    hour = SetTimeCode(TimeCode(CodeRate.FPS_25, 90_000))
    show = replace(show, set_list=SetList("x", show.set_list.entries, None, hour))
    codes = set_codes(show)
    assert codes[1] == own.time_code
    assert [codes[0].start, codes[2].start] == [90_000, 90_000 + 20 * 25]
    for index in range(3):
        assert set_codes(alone(show, index)) == (codes[index],)
    assert set_codes(show_of(one)) == (None,)
