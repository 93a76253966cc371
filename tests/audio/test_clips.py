import numpy as np
import pytest
import soundfile

from syncbox.audio.clips import ClipInfo, clip_info, files_of, read_clip
from syncbox.errors import ShowError, UnreadableError
from syncbox.score.song import (
    At,
    AudioKind,
    Body,
    Item,
    PlayAudio,
    Section,
    Song,
    SpokenCue,
    TextCue,
)


def write(path, sound, rate=48_000, subtype="PCM_24"):
    soundfile.write(path, np.asarray(sound), rate, subtype=subtype)
    return path


@pytest.mark.parametrize("channels", [1, 2])
def test_a_file_at_the_engines_rate_comes_as_it_is(tmp_path, channels):
    whole = np.random.default_rng(1).integers(-(1 << 23), 1 << 23, (500, channels))
    path = write(tmp_path / "a.wav", (whole << 8).astype(np.int32))
    sound = read_clip(path, 48_000)
    assert sound.shape == (channels, 500)
    assert sound.dtype == np.float32
    assert sound.flags.c_contiguous
    assert np.array_equal(sound * (1 << 23), whole.T)
    assert clip_info(path) == ClipInfo(48_000, 500, channels)


@pytest.mark.parametrize(
    ("file_rate", "rate"), [(44_100, 48_000), (96_000, 48_000), (48_000, 44_100)]
)
def test_resampling_keeps_time_pitch_and_length(tmp_path, file_rate, rate):
    def bell(at_rate):
        seconds = np.arange(at_rate) / at_rate
        return 0.5 * np.sin(2 * np.pi * 1000 * seconds) * np.exp(-(((seconds - 0.5) / 0.1) ** 2))

    path = write(tmp_path / "a.wav", bell(file_rate), file_rate, "FLOAT")
    sound = read_clip(path, rate)
    assert sound.shape == (1, rate)
    assert np.abs(sound[0] - bell(rate)).max() < 1e-5


@pytest.mark.parametrize("ending", ["flac", "ogg", "aiff"])
def test_other_formats(tmp_path, ending):
    path = tmp_path / f"a.{ending}"
    soundfile.write(path, np.full((4800, 2), 0.25), 48_000)
    sound = read_clip(path, 48_000)
    assert sound.shape == (2, 4800)
    assert sound[:, 2400] == pytest.approx([0.25, 0.25], abs=0.02)


def refused(path, error, words):
    for read in (clip_info, lambda file: read_clip(file, 48_000)):
        with pytest.raises(error, match=words) as caught:
            read(path)
        assert caught.value.where == str(path)


def test_missing_file_and_folder(tmp_path):
    refused(tmp_path / "gone.wav", UnreadableError, "no such file")
    refused(tmp_path, UnreadableError, "a folder")


def test_text_under_a_sounds_name(tmp_path):
    path = tmp_path / "a.wav"
    path.write_text("not a sound")
    refused(path, UnreadableError, "cannot be read as a sound file")


def test_empty_sound(tmp_path):
    refused(write(tmp_path / "a.wav", np.zeros((0, 2))), ShowError, "empty")


def test_too_many_channels(tmp_path):
    refused(write(tmp_path / "a.wav", np.zeros((10, 6))), ShowError, "has 6 channels")


def test_values_that_are_not_numbers(tmp_path):
    path = write(tmp_path / "a.wav", [0.0, np.nan], subtype="FLOAT")
    with pytest.raises(ShowError, match="not numbers"):
        read_clip(path, 48_000)


def test_a_file_cut_short_is_refused(tmp_path):
    whole = write(tmp_path / "a.flac", np.random.default_rng(2).normal(0, 0.1, 48_000))
    cut = tmp_path / "b.flac"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    with pytest.raises(UnreadableError):
        read_clip(cut, 48_000)


def song_of(*happenings):
    first, rest = happenings[0], happenings[1:]
    section = Section(
        "Verse",
        Body(4, (Item(At(), first),)),
        endings=(Body(1, tuple(Item(At(), what) for what in rest)),),
    )
    return Song("a", "A", 120, (section,))


def test_every_file_of_a_song_once_in_the_order_written():
    song = song_of(
        PlayAudio("audio/b.wav", "pads", AudioKind.STEM),
        TextCue("now"),
        SpokenCue("audio/a.wav"),
        PlayAudio("audio/b.wav", "hits", AudioKind.ONE_SHOT),
    )
    assert files_of(song) == ("audio/b.wav", "audio/a.wav")


def test_mpeg_sound_is_read_though_its_head_only_estimates_its_length(tmp_path):
    t = np.arange(44_100) / 44_100
    path = tmp_path / "a.mp3"
    soundfile.write(path, 0.3 * np.sin(2 * np.pi * 440 * t), 44_100, format="MP3")
    assert not clip_info(path).is_exact
    sound = read_clip(path, 44_100)
    assert sound.shape[1] == pytest.approx(44_100, abs=4 * 1152)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 3])
    with pytest.raises(UnreadableError, match="stops after"):
        read_clip(path, 44_100)
