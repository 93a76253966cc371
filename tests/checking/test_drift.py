"""A stem at the wrong tempo is found, the right one is left in peace, and free playing too."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
import soundfile
from building import item, section, show_of, song
from drums import drum_loop, drum_stem

from syncbox.checking.drift import check_drift
from syncbox.score.layout import lay_out
from syncbox.score.reading.show import Draft
from syncbox.score.song import AudioKind, FitWay, PlayAudio, Ramp, Span

RATE = 24_000
STEM = PlayAudio("stem.wav", "strings", AudioKind.STEM)


def problems(folder, sound, play=STEM, *, tempo=120, bars=60, more=(), rate=RATE):
    soundfile.write(folder / play.file, sound.T, rate)
    written = song(section("A", bars, item(play), *more), tempo=tempo)
    show = replace(show_of(written), folder=str(folder))
    draft = Draft(show, frozenset(), True)
    first = list(check_drift(draft, folder))
    assert list(check_drift(draft, folder)) == first  # the second time from the cache
    return [problem.what for problem in first]


@pytest.mark.parametrize("late", [0.5, 0.62, 2 / 3])
@pytest.mark.parametrize("own", [118, 121, 100])
def test_another_tempo_is_named(tmp_path, own, late):
    (what,) = problems(tmp_path, drum_stem(own, 60, late=late))
    assert f"quarter = {own}.0" in what
    assert "is at 120.00 here" in what


@pytest.mark.parametrize("late", [0.5, 0.62, 2 / 3])
@pytest.mark.parametrize("own", [90, 160])
def test_a_tempo_in_three_to_four_is_found_or_asked_about(tmp_path, own, late):
    """Its hits lie on the triplets or sixteenths of the map, so it never runs off the grid."""
    (what,) = problems(tmp_path, drum_stem(own, 60, late=late))
    assert f"quarter = {own}." in what or f"quarter = {own - 1}.99" in what
    assert "is at 120.00 here" in what


@pytest.mark.parametrize("parts", [3, 4])
def test_triplets_and_sixteenths_are_no_other_tempo(tmp_path, parts):
    rng, stem = np.random.default_rng(3), np.zeros(60 * RATE)
    decay = np.exp(-40 * np.arange(round(0.1 * RATE)) / RATE)
    for hit in range(58 * 2 * parts):
        at = round(hit / parts / 2 * RATE)
        level = (1.0 if hit % parts == 0 else 0.5) * rng.uniform(0.5, 1)
        stem[at : at + len(decay)] += 0.4 * level * rng.standard_normal(len(decay)) * decay
    assert problems(tmp_path, stem[np.newaxis]) == []


@pytest.mark.parametrize("late", [0.5, 0.62, 2 / 3])
def test_the_right_tempo_is_left_in_peace(tmp_path, late):
    assert problems(tmp_path, drum_stem(120, 60, late=late)) == []


def test_a_twelfth_of_a_percent_is_found_in_a_minute(tmp_path):
    (what,) = problems(tmp_path, drum_stem(119.9, 80))
    assert "119.90" in what


def test_a_stem_that_begins_late_is_told_where_to_begin(tmp_path):
    late = np.pad(drum_stem(120, 60), ((0, 0), (round(0.12 * RATE), 0)))
    (what,) = problems(tmp_path, late)
    assert "120 ms after the beats" in what or "121 ms after the beats" in what
    right = replace(STEM, start_seconds=Fraction(12, 100))
    assert problems(tmp_path, late, right) == []


def test_a_stem_along_a_ramp_is_right_when_it_follows(tmp_path):
    ramp = item(Ramp(Fraction(140), Span(bars=20)))
    leg = lay_out(song(section("A", 30, ramp), tempo=100)).legs[-1]
    stem = np.zeros(round(70 * RATE))
    rng = np.random.default_rng(3)
    for eighth in range(120):
        at = round(float(leg.tempo_map.seconds_at(eighth * 10_080)) * RATE)
        hit = rng.standard_normal(2000) * np.exp(-np.arange(2000) / 400) * 0.3
        if at + 2000 < len(stem):
            stem[at : at + 2000] += hit
    sound = stem.astype(np.float32)[np.newaxis]
    assert problems(tmp_path, sound, tempo=100, bars=30, more=(ramp,)) == []


def test_a_steady_stem_beside_a_ramp_is_found(tmp_path):
    ramp = item(Ramp(Fraction(112), Span(bars=30)))
    (what,) = problems(tmp_path, drum_stem(100, 60), tempo=100, bars=40, more=(ramp,))
    assert "keeps quarter = 100.0" in what
    assert "moves here" in what


@pytest.mark.parametrize("seed", range(4))
def test_free_playing_is_not_judged(tmp_path, seed):
    rng = np.random.default_rng(seed)
    stem = np.zeros(60 * RATE)
    at = np.cumsum(rng.uniform(0.2, 0.8, 200))
    for second in at[at < 59]:
        first = round(second * RATE)
        stem[first : first + 2000] += rng.standard_normal(2000) * np.exp(-np.arange(2000) / 400)
    assert problems(tmp_path, (0.2 * stem).astype(np.float32)[np.newaxis]) == []


def test_a_pad_and_a_missing_file_are_not_judged(tmp_path):
    t = np.arange(30 * RATE) / RATE
    pad = (0.3 * np.sin(2 * np.pi * 220 * t)).astype(np.float32)[np.newaxis]
    assert problems(tmp_path, pad) == []
    written = song(section("A", 8, item(replace(STEM, file="not-there.wav"))))
    draft = Draft(replace(show_of(written), folder=str(tmp_path)), frozenset(), True)
    assert list(check_drift(draft, tmp_path)) == []


def test_a_loop_that_is_fitted_cannot_drift(tmp_path):
    loop, _ = drum_loop(100, bars=4, rate=RATE)
    plain = PlayAudio("loop.wav", "drums", AudioKind.LOOP, every_bars=4)
    (what,) = problems(tmp_path, loop, plain, tempo=112)
    assert "quarter = 100.0" in what
    assert problems(tmp_path, loop, replace(plain, fit=FitWay.SLICES), tempo=112) == []
