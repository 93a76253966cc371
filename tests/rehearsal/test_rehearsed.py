"""A recording of `rehearse` is read round by round, each against the map at its own speed."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
import soundfile

from syncbox.errors import ShowError
from syncbox.rehearsal.chart import chart_of
from syncbox.rehearsal.imagined import Manner, imagined_song, play
from syncbox.rehearsal.imagined_sound import sound_of
from syncbox.rehearsal.onsets import RATE, onsets_of
from syncbox.rehearsal.rehearsed import part_of_song, read_rounds, rounds_of
from syncbox.rehearsal.takes import Round, Take, add_take
from syncbox.score.song import At, Item, Modulation, TempoStep

SONG = imagined_song(2, form=("Verse", "Chorus", "Verse", "Bridge"))
SPEEDS = (Fraction(17, 20), Fraction(1))
LEAD_S = 0.5


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory):
    """(show's folder, recording, its sound, what was played in each round)."""
    show = tmp_path_factory.mktemp("show")
    (show / "takes").mkdir()
    sounds, rounds, played, at = [], [], [], 0
    for number, speed in enumerate(SPEEDS, 1):
        part, _ = part_of_song(SONG, "Chorus", "", speed)
        manner = Manner(sounds="drums and bass", humanise_ms=8.0, drift=0.03, lead_s=LEAD_S)
        take = play(part, manner, 30 + number)
        chart = take.chart
        lead_s = LEAD_S + sum(bar.seconds for bar in chart.bars[: chart.first])
        rounds.append(Round(number, str(speed), at + round(lead_s * RATE)))
        sounds.append(sound_of(take, manner, number)[: round((take.end_s - 1.5) * RATE)])
        at += len(sounds[-1])
        played.append(take)
    sound = np.concatenate(sounds)
    path = show / "takes" / "low-tide.wav"
    soundfile.write(path, sound, RATE)
    log = Take(SONG.id, "2031-02-03T20:15:00", "Chorus", "Chorus", tuple(rounds), path.name, RATE)
    add_take(show, log)
    return show, path, sound, played


def test_each_round_is_held_against_the_map_at_its_speed(rehearsed):
    show, path, sound, played = rehearsed
    rounds = rounds_of(show, SONG, path)
    assert [each.speed for each in rounds] == list(SPEEDS)
    bars = chart_of(SONG).bars
    first = next(bar for bar in bars if bar.section == "Chorus")
    for take, found in zip(played, read_rounds(onsets_of(sound), rounds), strict=True):
        assert found.found
        assert not found.place_guessed
        (row,) = found.sections
        assert (row.section, row.first_bar) == ("Chorus", first.number)
        assert row.section_index == first.section_index
        assert row.tempo_share == pytest.approx(take.section_ratio(0) - 1, abs=0.005)
        assert not found.missing_bars + found.extra_bars


def test_times_are_those_of_the_recording(rehearsed):
    show, path, sound, played = rehearsed
    second = read_rounds(onsets_of(sound), rounds_of(show, SONG, path))[1]
    begin_s = (len(sound) - round((played[1].end_s - 1.5) * RATE)) / RATE
    truth = np.concatenate(played[1].beats_s) + begin_s
    errors = [np.abs(truth - beat.played_s).min() for beat in second.beats]
    assert np.percentile(errors, 90) < 0.02


def test_a_recording_that_the_log_does_not_know_has_no_rounds(rehearsed, tmp_path):
    show, path, _, _ = rehearsed
    assert rounds_of(show, SONG, path.with_name("other.wav")) == []
    assert rounds_of(show, SONG, tmp_path / path.name) == []
    assert rounds_of(tmp_path, SONG, path) == []
    with pytest.raises(ShowError, match="no section 'Chorus'"):
        rounds_of(show, replace(SONG, sections=SONG.sections[:1]), path)


def test_a_part_has_the_tempo_and_meter_that_hold_where_it_begins():
    sections = list(SONG.sections)
    sections[1] = _with(sections[1], TempoStep(Fraction(90)))
    sections[2] = _with(sections[2], Modulation(Fraction(3, 4), Fraction(1)))
    song = replace(SONG, sections=tuple(sections))
    assert [section.name for section in song.sections[1:3]] == ["Verse", "Chorus"]
    part, first = part_of_song(song, "chorus", "Bridge", Fraction(1, 2))
    assert first == 2
    own = chart_of(part).bars
    whole = [bar for bar in chart_of(song).bars if bar.section_index >= 2]
    assert [bar.seconds for bar in own[chart_of(part).first :]] == pytest.approx(
        [2 * bar.seconds for bar in whole]
    )
    assert part_of_song(song, "", "", Fraction(1)) == (song, 0)


def _with(section, what):
    items = (Item(At(), what), *section.body.items)
    return replace(section, body=replace(section.body, items=items))
