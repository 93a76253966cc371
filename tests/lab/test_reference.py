from fractions import Fraction

import mpmath
import numpy as np
import pytest

from syncbox.audio.voices import click_voices
from syncbox.drivers.offline import PREROLL_SECONDS, play_through
from syncbox.lab.reference import (
    FAST_PORT,
    ROUND,
    SLOW_PORT,
    grid_from_map,
    grid_from_schedule,
    reference_show,
    reference_song,
)
from syncbox.schedule.compile import compile_show
from syncbox.score.checks import check_form, check_names
from syncbox.score.song import RampShape
from syncbox.units import CLOCKS_PER_QUARTER

RATES = (44_100, 48_000, 96_000)


def program_of(show, rate):
    return compile_show(show, rate, {}, click_voices(rate))


def grid_of(show, rate):
    (song,) = show.songs.values()
    return grid_from_map(song, show.rig, rate)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("seconds", [1, 30, 200])
def test_both_ways_to_the_grid_agree(rate, seconds):
    show = reference_show(seconds)
    clicks, clocks = grid_from_schedule(program_of(show, rate))
    grid = grid_of(show, rate)
    assert np.array_equal(clicks, grid.clicks)
    assert np.array_equal(clocks, grid.clocks)


def test_the_song_is_what_it_says():
    song = reference_song(30)
    meters = {str(part.meter) for part in ROUND}
    assert "7/8 as 2+2+3" in meters
    assert len(meters) >= 3
    assert any(part.to_qpm for part in ROUND)
    assert not [*check_form(song), *check_names(song, reference_show(30).rig)]
    assert len(song.sections) > len(ROUND)


@pytest.mark.parametrize("seconds", [5, 30, 600])
def test_it_lasts_as_long_as_wanted(seconds):
    end = grid_of(reference_show(seconds), 48_000).end / 48_000
    assert seconds - 1 <= end <= seconds + 6


def moved_tempo(part, quarter, quarters):
    """Quarters a minute at a quarter of a part, as the two ramps are defined."""
    if part.to_qpm is None:
        return mpmath.mpf(part.from_qpm.numerator) / part.from_qpm.denominator
    first, last = (mpmath.mpf(q.numerator) / q.denominator for q in (part.from_qpm, part.to_qpm))
    share = quarter / quarters
    if part.shape is RampShape.BY_TIME:
        return mpmath.sqrt(first**2 + (last**2 - first**2) * share)
    return first + (last - first) * share


def test_the_clocks_lie_where_numerical_integration_puts_them():
    """Integral of 60/tempo over quarters, 30 digits, for every sixth clock of one round."""
    mpmath.mp.dps = 30
    rate, start_s, expected, at = 48_000, mpmath.mpf(0), [], 0
    for part in ROUND:
        quarters = Fraction(part.bars * part.meter.numerator * 4, part.meter.denominator)

        def seconds(until, part=part, quarters=quarters):
            return mpmath.quad(lambda q: 60 / moved_tempo(part, q, float(quarters)), [0, until])

        clocks = range(0, int(quarters * CLOCKS_PER_QUARTER), 6)
        expected += [start_s + seconds(mpmath.mpf(clock) / CLOCKS_PER_QUARTER) for clock in clocks]
        start_s += seconds(mpmath.mpf(quarters.numerator) / quarters.denominator)
        at += int(quarters * CLOCKS_PER_QUARTER)
    clocks = grid_of(reference_show(1000), rate).clocks[:at:6]
    assert len(clocks) == len(expected)
    assert all(
        abs(clock - t * rate) <= 0.5 + 1e-6 for clock, t in zip(clocks, expected, strict=True)
    )


def test_beats_and_clocks_meet_on_the_same_frames():
    grid = grid_of(reference_show(60), 48_000)
    assert np.array_equal(grid.clicks[grid.beat_clicks], grid.clocks[grid.beat_clocks])
    assert len(grid.beat_clicks) == (grid.clicks >= 0).sum()


@pytest.mark.parametrize("block_frames", [64, 256, 4096])
def test_the_engine_puts_everything_on_the_grid(block_frames):
    rate, show = 48_000, reference_show(20)
    program, grid = program_of(show, rate), grid_of(show, rate)
    heard = {(why, port): [] for why in ("clock", "patch") for port in (0, 1)}
    downbeat = PREROLL_SECONDS * rate + rate * 50 // 1000 - grid.clicks[0]  # 50 ms after start
    for first, block in play_through(program, block_frames=block_frames):
        for offset, port, _, why in block.midi:
            if why in ("clock", "patch") and (why == "clock" or first > downbeat):
                heard[why, port].append(first + offset - downbeat)
    assert [p.name for p in show.rig.ports] == [FAST_PORT, SLOW_PORT]
    for port in (0, 1):
        assert heard["clock", port] == grid.clocks.tolist()
        assert heard["patch", port] == grid.patches[port].tolist()


def test_every_patch_is_loaded_when_its_bar_line_comes():
    grid = grid_of(reference_show(60), 48_000)
    # two bytes of 320 us (MIDI 1.0 Detailed Specification 4.2.1, p. 1: 31.25 kbaud), 30 ms
    ready = grid.patches[1] + (2 * 320e-6 + 0.030) * 48_000
    assert (ready <= grid.bar_lines).all()
    assert (grid.patches[0] == grid.bar_lines).all()
