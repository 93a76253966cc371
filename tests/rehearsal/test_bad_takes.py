"""Bad input gets a clear answer, never a confident wrong one."""

import numpy as np
import pytest
import soundfile
from rehearsing import taken

from syncbox.errors import ShowError, UnreadableError
from syncbox.rehearsal.imagined import imagined_song
from syncbox.rehearsal.intake import onsets_of_file
from syncbox.rehearsal.many import read_one
from syncbox.rehearsal.onsets import RATE, onsets_of
from syncbox.rehearsal.reading import read_take


def written(tmp_path, sound, rate=RATE, name="take.wav"):
    soundfile.write(tmp_path / name, sound, rate)
    return tmp_path / name


def test_silence(tmp_path):
    song = imagined_song(5)
    found = read_one(song, written(tmp_path, np.zeros(20 * RATE, np.float32)))
    assert not found.found
    assert "next to nothing to hear" in found.notes[0]


def test_noise_is_no_song():
    song = imagined_song(5)
    noise = np.random.default_rng(3).normal(0, 0.1, 60 * RATE).astype(np.float32)
    found = read_take(song, onsets_of(noise))
    assert not found.found
    assert "does not look like this song" in found.notes[0]
    assert not found.beats


def test_a_song_of_another_meter_and_tempo_is_refused():
    _, sound, _ = taken()
    other = imagined_song(9, "odd")
    assert other.meter.numerator != 4
    found = read_take(other, onsets_of(sound))
    assert not found.found


def test_a_take_that_begins_in_the_middle_says_so():
    played, sound, _ = taken(sounds="drums and bass")
    cut = played.beats_s[12][0] - 0.2
    found = read_take(played.chart.song, onsets_of(sound[round(cut * RATE) :]))
    assert found.found
    assert any("begins in the middle" in note for note in found.notes)
    number = played.chart.bars[played.order[12]].number
    assert found.bars[0].bar in (number - 1, number, number + 1)


def test_clipped_mono_and_eight_kilohertz(tmp_path):
    import soxr

    played, sound, _ = taken()
    phone = np.clip(4 * soxr.resample(sound, RATE, 8000), -1, 1)
    found = read_one(played.chart.song, written(tmp_path, phone, 8000))
    assert found.found
    assert any("clipped" in note for note in found.notes)
    own = np.array([beat.played_s for beat in found.beats])
    errors = [np.abs(own - beat).min() for beat in np.concatenate(played.beats_s)]
    assert np.percentile(errors, 90) < 0.03


def test_ninety_six_kilohertz_stereo(tmp_path):
    import soxr

    played, sound, _ = taken()
    wide = soxr.resample(sound, RATE, 96_000)
    path = written(tmp_path, np.stack([wide, wide], axis=1), 96_000)
    assert read_one(played.chart.song, path).found


def test_a_truncated_file_is_refused(tmp_path):
    _, sound, _ = taken()
    path = written(tmp_path, sound, name="take.flac")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(UnreadableError):
        onsets_of_file(path)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.txt", b"1.0\nsoon\n", "no time in seconds"),
        ("a.txt", b"# nothing\n", "no taps"),
        ("a.mid", b"MThd nonsense", "MIDI file"),
        ("a.wav", b"RIFF nonsense", "cannot be read as a take"),
    ],
)
def test_files_that_are_no_takes(tmp_path, name, content, words):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises((ShowError, UnreadableError), match=words):
        onsets_of_file(path)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(UnreadableError, match="no such file"):
        onsets_of_file(tmp_path / "none.wav")


def test_too_slow_a_rate_and_no_such_channel(tmp_path):
    path = written(tmp_path, np.zeros(3000, np.float32), 3000)
    with pytest.raises(ShowError, match="too little"):
        onsets_of_file(path)
    path = written(tmp_path, np.zeros((8000, 2), np.float32), 8000)
    with pytest.raises(ShowError, match="no channel 3"):
        onsets_of_file(path, channel=3)


def test_a_song_inside_a_long_recording_is_found(tmp_path):
    played, sound, _ = taken()
    rng = np.random.default_rng(2)
    chatter = rng.normal(0, 0.003, 700 * RATE).astype(np.float32)
    at = 640 * RATE  # past the first ten minutes, which are worked on by themselves
    chatter = np.concatenate([chatter[:at], sound + chatter[: len(sound)], chatter[:RATE]])
    found = read_one(played.chart.song, written(tmp_path, chatter))
    assert found.found
    assert any("a long take" in note for note in found.notes)
    own = np.array([beat.played_s for beat in found.beats])
    errors = [np.abs(own - beat - 640).min() for beat in np.concatenate(played.beats_s)]
    assert np.percentile(errors, 90) < 0.02
