"""A fitted loop: the exact length, every hit in its place, no seam, attacks as they were."""

from fractions import Fraction

import numpy as np
import pytest
from building import item, section, song
from drums import RATE, drum_loop, first_bars, steady
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.audio.find import find_loop, grid_errors_ms
from syncbox.audio.fit import close_seam, fit_loop, likely_way, places_of, steps
from syncbox.audio.onsets import find_loop_onsets
from syncbox.errors import ShowError
from syncbox.score.meter import Meter
from syncbox.score.song import FitWay, MeterChange, Modulation, Ramp, RampShape, Span

WAYS = [FitWay.SLICES, FitWay.STRETCH, FitWay.RESAMPLE]
FOUR = Fraction(4)
TARGETS = {
    "faster": steady(120),
    "slower": steady(90),
    "as it was": steady(100),
    "a third of a frame over": steady(Fraction(1000, 9)),
    "ramp": first_bars(song(section("A", 4, item(Ramp(Fraction(150), Span(bars=2)))), tempo=90)),
    "ramp by period": first_bars(
        song(
            section("A", 4, item(Ramp(Fraction(80), Span(bars=1), RampShape.BY_PERIOD), 1, 3)),
            tempo=110,
        )
    ),
    "metric modulation": first_bars(
        song(section("A", 4, item(Modulation(Fraction(3, 4), Fraction(1)), 2)), tempo=90)
    ),
}


def fitted(target, way, tempo=100.0):
    loop, hits = drum_loop(tempo)
    found = find_loop(loop, RATE, 2, FOUR)
    return fit_loop(loop, RATE, found, target, way), places_of(hits, loop.shape[1], target)


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", TARGETS)
def test_length_hits_and_seam(name, way):
    target = TARGETS[name]
    made, grid = fitted(target, way)
    assert made.sound.shape == (1, target.frame_count)
    found = find_loop_onsets(made.sound, RATE).frames
    errors = [found[np.abs(found - place).argmin()] - place for place in grid]
    assert np.abs(errors).max() * 1000 / RATE <= 2.0  # a finder that knows nothing of the fit
    assert len(made.errors_ms) == len(grid)  # and the report's own measure says the same
    assert np.abs(made.errors_ms).max() <= 2.0
    rounds = np.tile(made.sound, 20)
    joins = np.abs(np.diff(rounds, axis=1))[:, target.frame_count - 1 :: target.frame_count]
    assert joins.shape[1] == 19
    assert joins.max() <= made.largest_step


@settings(max_examples=25, deadline=None)
@given(
    tempo=st.fractions(55, 190, max_denominator=50),
    rate=st.sampled_from([44_100, 48_000, 88_200]),
    way=st.sampled_from([FitWay.SLICES, FitWay.RESAMPLE]),
)
def test_any_tempo_gives_the_frames_of_the_tempo_map(tempo, rate, way):
    loop, _ = drum_loop(100, bars=1, rate=rate)
    target = steady(tempo, bars=1, rate=rate)
    exact = 4 * 60 / tempo * rate
    assert abs(target.frame_count - exact) <= Fraction(1, 2)
    found = find_loop(loop, rate, 1, FOUR)
    assert fit_loop(loop, rate, found, target, way).sound.shape[1] == target.frame_count


def rise_ms(sound, at):
    """10 to 90 % rise of the envelope (0.3 ms) around a hit."""
    window = np.abs(np.roll(sound[0], -(at - RATE // 50)))[: RATE // 25].astype(np.float64)
    level = np.convolve(window, np.ones(15) / 15, "same")
    peak = int(level.argmax())
    low = np.flatnonzero(level[: peak + 1] <= 0.1 * level[peak])[-1]
    high = np.flatnonzero(level[: peak + 1] >= 0.9 * level[peak])[0]
    return max(0, high - low) * 1000 / RATE


@pytest.mark.parametrize("way", [FitWay.SLICES, FitWay.STRETCH])
@pytest.mark.parametrize("name", ["faster", "slower", "ramp"])
def test_attacks_stay_as_sharp_as_they_were(name, way):
    made, grid = fitted(TARGETS[name], way)
    _, hits = drum_loop(100.0)
    before = [rise_ms(made.source, hit) for hit in hits]
    after = [rise_ms(made.sound, round(place)) for place in grid]
    assert np.median(after) <= np.median(before) + 0.1


def test_a_meter_that_changes_inside_the_loop():
    mixed = song(section("A", 2, item(MeterChange(Meter.of(3, 4)), 2)), tempo=120)
    target = first_bars(mixed)
    assert target.quarters == 7
    assert target.frame_count == round(7 * 0.5 * RATE)
    loop, _ = drum_loop(100, bars=1, quarters=7)
    found = find_loop(loop, RATE, 2, Fraction(7, 2))
    assert fit_loop(loop, RATE, found, target, FitWay.SLICES).sound.shape[1] == target.frame_count


def test_played_hits_keep_their_place_between_the_beats():
    """Fitting moves the bars, not the groove: a shuffle stays one."""
    loop, hits = drum_loop(100, late=0.62)
    found = find_loop(loop, RATE, 2, FOUR)
    made = fit_loop(loop, RATE, found, steady(126), FitWay.SLICES)
    quarter = 60 / 126 * RATE
    off_beats = find_loop_onsets(made.sound, RATE).frames[1::2] / quarter % 1
    assert np.abs(off_beats - 0.62).max() < 0.005
    assert len(hits) == len(made.hits)


def test_a_step_at_the_seam_is_levelled_out():
    t = np.arange(RATE) / RATE
    cut = np.cos(2 * np.pi * 110.25 * t).astype(np.float32)[np.newaxis]  # ends a quarter turn on
    assert steps(cut)[0] > steps(cut)[1]
    made = close_seam(cut, RATE)
    assert steps(made)[0] <= steps(made)[1]
    assert (made[:, : -round(0.004 * RATE)] == cut[:, : -round(0.004 * RATE)]).all()


def test_the_wrong_number_of_bars_is_refused():
    loop, _ = drum_loop(100)
    found = find_loop(loop, RATE, 2, FOUR)
    with pytest.raises(ShowError, match="slower"):
        fit_loop(loop, RATE, found, steady(20, bars=2), FitWay.SLICES)


def test_drums_are_sliced_and_chords_stretched():
    loop, _ = drum_loop(100)
    assert likely_way(loop, RATE) is FitWay.SLICES
    t = np.arange(4 * RATE) / RATE
    chord = sum(np.sin(2 * np.pi * hz * t) for hz in (220, 277, 330)) * 0.1
    assert likely_way(chord.astype(np.float32)[np.newaxis], RATE) is FitWay.STRETCH


def test_errors_to_a_grid():
    grid = np.array([0.0, 100.0, 200.0])
    assert grid_errors_ms([2.0, 97.0, 149.0, 205.0], grid, 1000).tolist() == [2, -3, 49, 5]
