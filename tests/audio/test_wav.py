import struct
from fractions import Fraction

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from syncbox.audio import wav
from syncbox.audio.wav import Marker, WavWriter
from syncbox.errors import ShowError


def write(path, *blocks, rate=48_000, markers=()):
    with WavWriter(path, rate=rate, channel_count=len(blocks[0])) as writer:
        for block in blocks:
            writer.write(np.asarray(block, dtype=np.float32))
        writer.markers.extend(markers)
    return path


def whole_numbers(path):
    sound, _ = soundfile.read(path, dtype="int32", always_2d=True)
    return (sound.T >> 8).tolist()


@given(st.lists(st.floats(-1.5, 1.5, width=32), min_size=1, max_size=50))
def test_values_are_rounded_to_the_nearest_and_held(tmp_path_factory, values):
    path = write(tmp_path_factory.mktemp("wav") / "a.wav", [values])
    # Python's own rounding of exact fractions: nearest, halves to even.
    expected = [max(-(2**23), min(2**23 - 1, round(Fraction(v) * 2**23))) for v in values]
    assert whole_numbers(path) == [expected]


def test_blocks_follow_each_other_and_channels_keep_their_places(tmp_path):
    sound = np.arange(60, dtype=np.float32).reshape(2, 30) / 2**23
    path = write(tmp_path / "a.wav", sound[:, :7], sound[:, 7:7], sound[:, 7:], rate=44_100)
    assert whole_numbers(path) == [list(range(30)), list(range(30, 60))]
    assert soundfile.info(path).samplerate == 44_100
    assert soundfile.info(path).subtype == "PCM_24"


def test_a_strided_view_is_written_like_its_copy(tmp_path):
    wide = np.random.default_rng(3).uniform(-1, 1, (4, 100)).astype(np.float32)
    view = write(tmp_path / "view.wav", wide[1:3])
    assert view.read_bytes() == write(tmp_path / "copy.wav", wide[1:3].copy()).read_bytes()


def test_cutting_the_sound_into_other_blocks_gives_the_same_bytes(tmp_path):
    sound = np.random.default_rng(4).uniform(-1, 1, (1, 1001)).astype(np.float32)
    markers = [Marker(0, "Verse"), Marker(500, "Brücke")]
    one = write(tmp_path / "one.wav", sound, markers=markers)
    many = write(tmp_path / "many.wav", *np.array_split(sound, 13, axis=1), markers=markers)
    assert one.read_bytes() == many.read_bytes()


def chunks(data):
    assert data[:4] == b"RIFF"
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    found, at = {}, 12
    while at < len(data):
        name, size = struct.unpack_from("<4sI", data, at)
        found[name] = data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    assert at == len(data)
    return found


@pytest.mark.parametrize("frame_count", [0, 1, 2, 5])
def test_chunks_are_whole_and_padded(tmp_path, frame_count):
    path = write(tmp_path / "a.wav", np.zeros((1, frame_count)), markers=[Marker(0, "A")])
    found = chunks(path.read_bytes())
    assert list(found) == [b"fmt ", b"data", b"cue ", b"LIST"]
    assert len(found[b"data"]) == 3 * frame_count


def test_no_markers_no_marker_chunks(tmp_path):
    assert list(chunks(write(tmp_path / "a.wav", [[0.0]]).read_bytes())) == [b"fmt ", b"data"]


def test_an_error_leaves_no_file_and_an_older_one_untouched(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(b"older")
    with pytest.raises(AssertionError), WavWriter(path, rate=48_000, channel_count=1) as writer:
        writer.write(np.zeros((2, 10), np.float32))
    assert [file.name for file in tmp_path.iterdir()] == ["a.wav"]
    assert path.read_bytes() == b"older"


def test_a_sound_that_outgrows_the_format_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(wav, "SIZE_MAX", 3000)
    with WavWriter(tmp_path / "a.wav", rate=48_000, channel_count=2) as writer:
        writer.write(np.zeros((2, 500), np.float32))
        with pytest.raises(ShowError, match="longer than a WAV file can hold"):
            writer.write(np.zeros((2, 1), np.float32))
