"""The bars that a loop fills: to the frame, wherever the tempo goes."""

from fractions import Fraction

import numpy as np
import pytest
from building import item, program_of, section, song
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.schedule.fitting import fitted_name, loop_targets, target_at
from syncbox.schedule.program import Clips, SoundStart
from syncbox.score.layout import LEG_BARS_MAX, LegKind, lay_out
from syncbox.score.song import AudioKind, FitWay, Hold, PlayAudio, Ramp, RampShape, Span
from syncbox.units import TICKS_PER_QUARTER

RATE = 48_000
LOOP = PlayAudio("a.wav", "pads", AudioKind.LOOP, every_bars=2, fit=FitWay.SLICES)


def targets(written):
    return loop_targets(lay_out(written).legs, RATE)


@given(
    start=st.fractions(40, 200, max_denominator=20),
    end=st.fractions(40, 200, max_denominator=20),
    shape=st.sampled_from(list(RampShape)),
)
@settings(max_examples=40, deadline=None)
def test_every_tick_lies_where_the_tempo_map_has_it(start, end, shape):
    ramp = item(Ramp(end, Span(bars=3), shape))
    route = lay_out(song(section("A", 4, ramp), tempo=start))
    leg = route.legs[-1]
    target = target_at(route.legs, leg.index, 4 * TICKS_PER_QUARTER, 2, RATE)
    ticks = np.linspace(0, target.ticks, 199).astype(np.int64)
    exact = leg.tempo_map.seconds_of(ticks + 4 * TICKS_PER_QUARTER)
    exact = (exact - float(leg.tempo_map.seconds_at(4 * TICKS_PER_QUARTER))) * RATE
    off = np.abs(target.frames_of(ticks.astype(np.float64)) - exact)
    assert off.max() * 1000 / RATE < 0.1
    assert abs(target.frame_count - exact[-1]) <= 0.5 + 1e-6


def test_each_round_in_a_ramp_is_fitted_to_its_own_bars():
    play, ramp = item(LOOP), item(Ramp(Fraction(140), Span(bars=8)))
    found = targets(song(section("A", 8, play, ramp), tempo=100))
    lengths = [target.frame_count for target in found.values()]
    assert len(lengths) == 4
    assert lengths == sorted(lengths, reverse=True)
    route = lay_out(song(section("A", 8, ramp), tempo=100))
    assert abs(sum(lengths) - route.legs[-1].duration_s * RATE) <= 2


def test_at_a_steady_tempo_one_sound_serves_all_rounds_and_passes():
    found = targets(song(section("A", 8, item(LOOP), passes=3), tempo=100))
    assert len({fitted_name(LOOP, target) for target in found.values()}) == 1


def test_a_section_that_is_over_before_the_loop_goes_on_in_mind():
    found = list(targets(song(section("A", 3, item(LOOP)), tempo=120)).values())
    assert [target.frame_count for target in found] == [4 * RATE, 4 * RATE]


def test_a_pass_that_is_cut_into_parts_does_not_cut_the_loop():
    bars = LEG_BARS_MAX + 3
    long = PlayAudio("a.wav", "pads", AudioKind.LOOP, every_bars=5, fit=FitWay.SLICES)
    written = song(
        section("A", bars, item(long), item(Ramp(Fraction(130), Span(bars=bars)))), tempo=120
    )
    legs = lay_out(written).legs
    assert sum(leg.kind is LegKind.SECTION for leg in legs) == 2
    lengths = [target.frame_count for target in loop_targets(legs, RATE).values()]
    assert lengths == sorted(lengths, reverse=True)


def test_a_loop_before_a_hold_goes_on_at_the_tempo_there():
    play, hold = item(LOOP), item(Hold(seconds=Fraction(1)), 1, 4)
    (first, *_) = targets(song(section("A", 4, play, hold), tempo=120)).values()
    assert first.frame_count == 4 * RATE


def test_loops_that_ask_for_nothing_get_nothing():
    plain = PlayAudio("a.wav", "pads", AudioKind.LOOP, every_bars=2)
    assert not targets(song(section("A", 4, item(plain)), tempo=120))


@pytest.mark.parametrize("there", [True, False])
def test_the_program_starts_the_fitted_sound_where_there_is_one(there):
    written = song(section("A", 4, item(LOOP)), tempo=100)
    name = fitted_name(LOOP, next(iter(targets(written).values())))
    clips = Clips({"a.wav": np.zeros((1, 10), np.float32)})
    if there:
        clips[name] = np.ones((1, 20), np.float32)
        clips.gains[name] = 0.25
    program = program_of(written, clips=clips)
    events = program.songs[0].legs[-1].events
    starts = [e for e in events if isinstance(e, SoundStart) and e.slot >= 0]
    lengths = {program.clips[start.clip].shape[1] for start in starts}
    assert lengths == {20 if there else 10}
    assert {start.gain for start in starts} == {0.25 if there else 1.0}
