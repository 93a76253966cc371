"""Takes that begin or end in the middle, at another speed, or of another song."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from rehearsing import read, taken

from syncbox.rehearsal.imagined import Manner, imagined_song, play
from syncbox.rehearsal.imagined_sound import sound_of
from syncbox.rehearsal.notes import seems
from syncbox.rehearsal.onsets import RATE, onsets_of, onsets_of_times
from syncbox.rehearsal.reading import TakeReading, read_take
from syncbox.rehearsal.trying import Tried


def bars_right(played, found: TakeReading, cut_s: float = 0.0) -> float:
    """Share of the bars told that are the ones played there."""
    starts = np.array([beats[0] for beats in played.beats_s]) - cut_s
    numbers = [played.chart.bars[index].number for index in played.order]
    true = [numbers[np.abs(starts - bar.start_s).argmin()] for bar in found.bars]
    near = [np.abs(starts - bar.start_s).min() < 0.1 for bar in found.bars]
    same = [bar.bar == number for bar, number in zip(found.bars, true, strict=True)]
    return float(np.mean(np.array(same) & np.array(near)))


@lru_cache(maxsize=8)
def whole(seed: int, sounds: str) -> tuple:
    """A take of a song with repeats, and its sound."""
    song = imagined_song(seed)
    manner = Manner(sounds=sounds, humanise_ms=8.0, drift=0.02)
    played = play(song, manner, seed)
    return played, sound_of(played, manner, seed)


@pytest.mark.parametrize(("begin", "end"), [(0.25, 1.0), (0.0, 0.7), (0.2, 0.85)])
def test_a_part_of_a_song_is_placed_at_its_bar(begin: float, end: float) -> None:
    played, sound = whole(2016, "drums and bass")
    found = read_take(
        played.chart.song, onsets_of(sound[round(begin * len(sound)) : round(end * len(sound))])
    )
    assert found.found
    assert bars_right(played, found, begin * len(sound) / RATE) > 0.9
    assert any("begins in the middle" in note for note in found.notes) == (begin > 0)
    assert any("ends before the song" in note for note in found.notes) == (end < 1)


def test_one_section_alone_is_no_sure_place() -> None:
    played, sound = whole(2016, "drums and bass")
    bars = played.chart.bars
    parts = [bars[index].part for index in played.order]
    verse = next(bar for bar in bars if bar.section == "Verse")
    last = max(n for n, part in enumerate(parts) if part == verse.part)
    begin, end = (
        round(float(played.beats_s[n][0]) * RATE) for n in (parts.index(verse.part), last)
    )
    found = read_take(played.chart.song, onsets_of(sound[begin:end]))
    told = " ".join(found.notes)
    assert not found.found or "may as well begin" in told or "is a guess" in told


@pytest.mark.parametrize("seed", [5, 12])
def test_bar_lines_are_found_where_brushes_play_every_beat(seed: int) -> None:
    played, found = read(seed=seed, sounds="brushes")
    assert bars_right(played, found) > 0.95


def test_a_speed_that_is_told_is_followed_and_nothing_else() -> None:
    played, sound, _ = taken(seed=4, sounds="drums and bass", pace=0.6)
    onsets = onsets_of(sound)
    found = read_take(played.chart.song, onsets, speed=0.6)
    assert found.found
    shares = [row.tempo_share for row in found.sections if row.tempo_share is not None]
    assert np.median(shares) == pytest.approx(-0.4, abs=0.02)
    assert bars_right(played, found) > 0.95
    assert not read_take(played.chart.song, onsets, speed=1.0).found


def test_a_refused_take_far_from_the_map_says_its_tempo() -> None:
    played, sound, _ = taken(seed=4, sounds="brushes", pace=0.62)
    chart, onsets = played.chart, onsets_of(sound)
    own = Tried.at(chart, onsets, 1.0, None)
    far = [replace(Tried.at(chart, onsets, 2 / 3, None), match=0.4)]
    own = replace(own, match=0.2, seems=far[0].played_pace)
    words = seems(own)
    assert "slower than the map" in words
    assert re.search(r"3[789] % slower.*--speed 6[123]%$", words)
    tempo = float(re.search(r"quarter = (\d+)", words).group(1))
    assert tempo == pytest.approx(0.62 * float(chart.song.tempo_qpm), rel=0.02)
    assert not seems(replace(own, seems=None))


def test_taps_alone_do_not_say_at_which_tempo_they_seem_to_be() -> None:
    played, _, _ = taken(seed=4, pace=0.62)
    onsets = onsets_of_times(np.sort(np.concatenate(played.beats_s)))
    found = read_take(played.chart.song, onsets)
    assert not found.found
    assert "--speed" not in found.notes[0]
    assert read_take(played.chart.song, onsets, speed=0.62).found


def test_another_song_of_the_same_tempo_and_meter_is_refused() -> None:
    played, sound = whole(2016, "mix")
    onsets = onsets_of(sound)
    other = imagined_song(2031, form=("Verse", "Verse", "Bridge", "Verse", "Bridge", "Verse"))
    assert played.chart.song.meter == other.meter
    same_tempo = replace(other, tempo_qpm=played.chart.song.tempo_qpm)
    assert read_take(played.chart.song, onsets).match > 0.8
    assert read_take(same_tempo, onsets).match < 0.5
