"""Takes that begin or end in the middle, at another speed, or of another song."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache
from html import escape

import numpy as np
import pytest
from rehearsing import read, taken

from syncbox.rehearsal.imagined import Manner, imagined_song, play
from syncbox.rehearsal.imagined_sound import sound_of
from syncbox.rehearsal.notes import notes_of, seems
from syncbox.rehearsal.onsets import RATE, onsets_of, onsets_of_times
from syncbox.rehearsal.page import as_html
from syncbox.rehearsal.reading import TakeReading, read_take
from syncbox.rehearsal.tables import as_json
from syncbox.rehearsal.trying import Tried
from syncbox.rehearsal.wording import summary


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
    assert not found.found or says_that_it_guesses(found)


def says_that_it_guesses(found: TakeReading) -> bool:
    """Whether words, table and report all say that the place is a guess, and name other places."""
    named = " or ".join(f"at bar {number}" for number in found.other_begins)
    words = [line for line in summary(found) if "where it begins is a guess" in line]
    data = as_json(found)
    report = as_html(found, "A song", "take.wav")
    assert found.place_guessed == bool(words) == (not data["place_sure"])
    assert data["other_begins"] == list(found.other_begins)
    return bool(words) and named in words[0] and escape(words[0]) in report


def test_a_part_that_is_in_the_song_twice_is_a_guess_that_names_both_places() -> None:
    song = imagined_song(2016, form=("Verse", "Chorus", "Bridge", "Verse", "Chorus", "Verse"))
    played = play(song, Manner(sounds="mix", humanise_ms=6.0, drift=0.01), 2016)
    bars = played.chart.bars
    parts = list(dict.fromkeys(bar.part for bar in bars if bar.section in ("Verse", "Chorus")))
    starts = [next(bar.number for bar in bars if bar.part == part) for part in parts]
    assert [bars[index].section for index in played.order].count("Verse") >= 24
    first = next(n for n, index in enumerate(played.order) if bars[index].part == parts[2])
    last = next(n for n, index in enumerate(played.order) if bars[index].part == parts[4])
    begin, end = (round(float(played.beats_s[n][0]) * RATE) - RATE // 20 for n in (first, last))
    found = read_take(song, onsets_of(sound_of(played, Manner(sounds="mix"), 2016)[begin:end]))
    assert found.found
    assert says_that_it_guesses(found)
    assert {starts[0], starts[2]} <= {found.bars[0].bar, *found.other_begins}


def test_a_whole_take_is_no_guess() -> None:
    played, sound = whole(2016, "mix")
    found = read_take(played.chart.song, onsets_of(sound))
    assert found.song_sure
    assert as_json(found)["song_sure"]
    assert not says_that_it_guesses(found)
    assert not any("another song" in line for line in summary(found))


def test_a_match_that_another_song_could_have_is_called_one() -> None:
    played, sound = whole(2016, "mix")
    chart, onsets = played.chart, onsets_of(sound)
    own = Tried.at(chart, onsets, 1.0, None)
    doubtful = notes_of(replace(own, match=0.7), clicked=True, locked=False)
    assert any("it may be another song" in note for note in doubtful)
    found = replace(read_take(chart.song, onsets), match=0.7, notes=doubtful)
    assert not as_json(found)["song_sure"]
    assert "it may be another song" in as_html(found, "A song", "take.wav")


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
