"""Music that nobody here wrote, held against the tempo map that was published with it.

Recordings: of Debian's fretsonfire-songs-muldjord (CC BY-SA 3.0) and fretsonfire-songs-sectoid
(MIT) two bands to a click of 190 and of 140, with MIDI files of their tempo; of
planetblupi-music-midi and planetblupi-music-ogg (GPL-3+) one performance as a file and as sound.
Renderings: of openttd-openmsx (GPL-2), played with a tempo that wanders or with a slip, through
the font of timgm6mb-soundfont (GPL-2) by tinysoundfont (MIT). Fetched by the tests, never kept
here; `tools/bench_records.py` judges more.
"""

import io
import warnings
from functools import cache

import numpy as np
import pytest
from found_music import Manner, music_of, performed, rendered, song_of
from found_sounds import OPENMSX, found_bytes, found_like, found_sound

from syncbox.rehearsal.chart import at_pace, chart_of
from syncbox.rehearsal.onsets import RATE, onsets_of
from syncbox.rehearsal.reading import SURE, read_take
from syncbox.rehearsal.trying import MATCH_MIN, SURE_MATCH, Tried


@cache
def data_of(number):
    return found_like(OPENMSX, "*/openmsx/*.mid")[number].read_bytes()


@cache
def played(number, **manner):
    music = music_of(data_of(number)).shortened(44)
    how = performed(music, Manner(jitter_ms=8, seed=number, **manner))
    return music, how, read_take(song_of(music, "found"), onsets_of(rendered(how.messages)))


def errors_ms(found, truth):
    """How far the nearest told beat lies from each true one."""
    own = np.array([beat.played_s for beat in found.beats])
    return 1000 * np.abs([own[np.abs(own - beat).argmin()] - beat for beat in truth])


@pytest.mark.parametrize(("number", "beats"), [(0, 120), (1, 252), (2, 255)])
def test_a_song_has_the_beats_of_its_file(number, beats):
    """5/4; 4/4 with 17 tempi; 3/4: bar by bar by the song's map, against pretty_midi."""
    import pretty_midi

    music = music_of(data_of(number))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = pretty_midi.PrettyMIDI(io.BytesIO(data_of(number)))
    expected = [
        reference.tick_to_time(round(tick)) for bar in music.bars for tick in music.beat_ticks(bar)
    ]
    mapped, at = [], 0.0
    for bar in chart_of(song_of(music, "found")).bars:
        mapped += [at + beat for beat in bar.beats_s]
        at += bar.seconds
    assert len(mapped) == beats
    assert np.abs(np.array(mapped) - np.array(expected)).max() < 0.0001


@pytest.mark.parametrize("number", [1, 24])
def test_a_wandering_tempo_is_followed(number):
    _, how, found = played(number, drift=0.06)
    assert found.match >= MATCH_MIN
    errors = errors_ms(found, np.concatenate(how.beats_s))
    assert np.median(errors) < 12
    assert np.mean(errors < 25) > 0.9
    assert not found.missing_bars
    assert not found.extra_bars
    told = [beat for beat in found.beats if beat.confidence >= SURE]
    truth = np.concatenate(how.beats_s)
    near = [np.abs(truth - beat.played_s).min() < 0.025 for beat in told]
    assert len(told) > 0.5 * len(found.beats)
    assert np.mean(near) > 0.9


def test_how_much_faster_sections_are_played_is_told():
    music, how, found = played(1, drift=0.06)
    lines = music.seconds_at([bar.start for bar in music.bars])
    starts = np.array([beats[0] for beats in how.beats_s])
    told = 0
    for row in found.sections:
        first, end = row.first_row, row.end_row
        if row.tempo_share is not None and end < len(starts):
            true = (lines[end] - lines[first]) / (starts[end] - starts[first])
            assert row.tempo_share + 1 == pytest.approx(true, abs=0.006)
            told += 1
    assert told >= 4


@pytest.mark.parametrize("slip", ["missing", "doubled"])
def test_a_bar_left_out_or_played_twice_is_named(slip):
    _, _, found = played(24, drift=0.02, **{slip: 25})
    rows = {"missing": found.missing_bars, "doubled": found.extra_bars}
    (row,) = rows.pop(slip)
    assert row.from_bar <= 26 <= row.to_bar
    assert len(row.bars) == 1
    assert rows.popitem()[1] == ()


@cache
def band(tempo):
    """A band to a click: the first 64 bars of its recording, all players together."""
    music = music_of(found_bytes(f"band-{tempo}-notes.mid"), silence=True).shortened(64)
    frames = round(RATE * float(music.seconds_at(music.bars[-1].start + music.bars[-1].ticks)))
    stems = ("song", "guitar")
    parts = [found_sound(f"band-{tempo}-{stem}.ogg", RATE).mean(axis=0) for stem in stems]
    return music, onsets_of(sum(part[:frames] for part in parts))


def test_a_band_to_a_click_keeps_its_tempo():
    music, onsets = band(190)
    found = read_take(song_of(music, "found", sections=False), onsets)
    assert found.match >= MATCH_MIN
    assert found.with_click
    numbers = [bar.bar for bar in found.bars]
    assert numbers == list(range(numbers[0], numbers[-1] + 1))
    assert numbers[0] <= 4
    assert numbers[-1] >= 62
    tempi = [bar.tempo for bar in found.bars if bar.tempo is not None]
    assert np.median(tempi) == pytest.approx(190, abs=0.5)
    errors = errors_ms(found, music.beats_s())
    assert np.median(errors) < 20
    assert np.mean(errors < 40) > 0.85


def test_a_band_with_loud_off_beats_is_followed_on_the_beat():
    """Its eighths are as loud as its quarters: half of them used to be taken for beats."""
    music, onsets = band(140)
    found = read_take(song_of(music, "found", sections=False), onsets)
    assert found.match >= MATCH_MIN
    tempi = [bar.tempo for bar in found.bars if bar.tempo is not None]
    assert np.median(tempi) == pytest.approx(140, abs=0.5)
    # The recording lags its file by 40 ms (its highs against the sixteenths).
    errors = errors_ms(found, music.beats_s()[8:-8] + 0.040)
    assert np.median(errors) < 20
    assert np.mean(errors < 60) > 0.9


def test_another_song_at_the_bands_tempo_is_not_sure():
    """Five songs brought to 190: at most one looks like the band's, and none surely."""
    _, onsets = band(190)
    matches = []
    for number in range(5):
        chart = chart_of(song_of(music_of(data_of(number)), "found"))
        tempo = np.median([bar.tempo_qpm for bar in chart.bars])
        matches.append(Tried.at(at_pace(chart, 190 / tempo), onsets, 1.0, None).match)
    assert max(matches) < SURE_MATCH
    assert sum(match >= MATCH_MIN for match in matches) <= 1


def test_a_performance_and_its_file_have_the_same_beats():
    music = music_of(found_bytes("blupi-4.mid")).shortened(56)
    sound = found_sound("blupi-4.ogg", RATE).mean(axis=0)
    end_s = float(music.seconds_at(music.bars[-1].start + music.bars[-1].ticks))
    onsets = onsets_of(np.concatenate([np.zeros(RATE, np.float32), sound[: round(RATE * end_s)]]))
    found = read_take(song_of(music, "found", sections=False), onsets)
    assert found.match >= MATCH_MIN
    assert [bar.bar for bar in found.bars] == list(range(1, 57))
    # Its sound begins at its first note, which the file has a tenth of a quarter late.
    errors = errors_ms(found, music.beats_s() + 1.0)
    assert np.median(errors) < 6
    assert np.mean(errors < 25) > 0.97
    tempi = [bar.tempo for bar in found.bars if bar.tempo is not None]
    assert np.median(tempi) == pytest.approx(104, abs=0.1)
