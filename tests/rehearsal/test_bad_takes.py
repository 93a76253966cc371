"""Bad input gets a clear answer, never a confident wrong one."""

import numpy as np
import pytest
import soundfile
from rehearsing import taken

from syncbox.errors import ShowError, UnreadableError
from syncbox.rehearsal.imagined import imagined_song
from syncbox.rehearsal.intake import look_over, onsets_of_file, tap_onsets
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


def noises():
    """A hall, a hum, rain: sounds of a minute and a half in which nothing has a beat."""
    draw = np.random.default_rng(3)
    white = draw.normal(0, 0.1, 90 * RATE)
    at = np.arange(len(white)) / RATE
    drops = np.zeros(len(white))
    drops[draw.integers(0, len(white), 900)] = draw.uniform(0.2, 1.0, 900)
    return {
        "white": white,
        "brown": np.cumsum(white) / 60 - np.linspace(0, np.sum(white) / 60, len(white)),
        "hum": 0.3 * np.sin(2 * np.pi * 50 * at) + 0.01 * white,
        "drops": drops + 0.01 * white,
    }


@pytest.mark.parametrize("kind", ["white", "brown", "hum", "drops"])
@pytest.mark.parametrize("seed", [5, 6])
def test_noise_is_no_song(kind, seed):
    found = read_take(imagined_song(seed), onsets_of(noises()[kind].astype(np.float32)))
    assert not found.found
    assert not found.beats


def test_white_noise_does_not_look_like_a_song():
    noise = np.random.default_rng(3).normal(0, 0.1, 60 * RATE).astype(np.float32)
    found = read_take(imagined_song(5), onsets_of(noise))
    assert "does not look like this song" in found.notes[0]


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


@pytest.mark.parametrize("kept", [1.0, 0.6])
def test_a_wave_file_that_is_shorter_than_it_says_is_read_and_called_cut_off(tmp_path, kept):
    _, sound, _ = taken()
    path = written(tmp_path, sound)
    whole = path.read_bytes()
    path.write_bytes(whole[: round(kept * len(whole))])
    assert look_over(path).damage == (("the file was cut off: 60 % of it are there",) * (kept < 1))
    assert onsets_of_file(path).duration_s == pytest.approx(kept * len(sound) / RATE, rel=0.01)


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


def test_an_mp3_that_is_cut_off_is_refused_without_the_librarys_chatter(tmp_path, capfd):
    if "MP3" not in soundfile.available_formats():
        pytest.skip("the sound library here writes no MP3")
    _, sound, _ = taken()
    path = written(tmp_path, sound, name="take.mp3")
    assert onsets_of_file(path).duration_s == pytest.approx(len(sound) / RATE, rel=0.01)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(UnreadableError, match="stops after"):
        onsets_of_file(path)
    assert capfd.readouterr().err == ""


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


@pytest.mark.parametrize("noise", [0.0, 1e-3])
def test_a_channel_of_the_other_polarity_takes_nothing_away(tmp_path, noise):
    played, sound, _ = taken()
    both = np.stack([sound, -sound, 0.5 * sound], axis=1)
    both += np.random.default_rng(4).normal(0, noise, both.shape).astype(np.float32)
    path = written(tmp_path, both)
    shares = look_over(path).shares
    assert list(np.sign(shares / shares[0])) == [1, -1, 1]
    assert read_one(played.chart.song, path).found


@pytest.mark.parametrize("level", [1e-3, 3e-5])
def test_a_very_quiet_take_on_a_constant_is_read(tmp_path, level):
    """A microphone that was not turned up, and a converter whose zero is not zero."""
    played, sound, _ = taken()
    path = tmp_path / "quiet.wav"
    soundfile.write(path, level * sound + 0.2, RATE, "FLOAT")
    assert read_one(played.chart.song, path).found


@pytest.mark.parametrize("wrong", [np.nan, np.inf])
def test_what_is_no_number_is_said(tmp_path, wrong):
    sound = np.zeros((RATE, 2), np.float32)
    sound[RATE // 2, 1] = wrong
    soundfile.write(tmp_path / "take.wav", sound, RATE, "FLOAT")
    with pytest.raises(ShowError, match="not numbers"):
        onsets_of_file(tmp_path / "take.wav", channel=1)


@pytest.mark.parametrize(
    "text",
    [
        "0.500\n1.125\n1.500\n",
        "\ufeff0.500\r\n1.125\r\n1.500\r\n",
        "0,500\n1,125  # the tom\n\n1,500\n",
        "seconds,how hard\n0.5,90\n1.125,80\n1.5,70\n",
        "0.5\t90\n1.125\t80\n1.5\t70\n",
    ],
)
def test_taps_as_people_and_tables_write_them(tmp_path, text):
    path = tmp_path / "taps.csv"
    path.write_bytes(text.encode())
    assert tap_onsets(path).times_s == pytest.approx([0.5, 1.125, 1.5])


def test_what_is_too_short_and_wrong_says_both():
    noise = np.random.default_rng(3).normal(0, 0.1, 8 * RATE).astype(np.float32)
    found = read_take(imagined_song(5), onsets_of(noise))
    assert not found.found
    assert found.notes[0].startswith("8 seconds are too little")
