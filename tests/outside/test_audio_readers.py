"""Our WAV files read by a library that knows nothing of us: wavinfo, which reads RIFF chunks.

Layout: Multimedia Programming Interface and Data Specifications 1.0 (IBM and Microsoft,
1991), the WAVE pages: `cue ` with dwSampleOffset, `LIST adtl` with `labl`.
"""

import numpy as np
import soundfile
import wavinfo

from syncbox.audio.wav import Marker, WavWriter

MARKERS = [Marker(0, "count-in"), Marker(96_000, "A Verse"), Marker(143_999, "Brücke")]


def write(path):
    sound = np.random.default_rng(5).uniform(-1, 1, (2, 144_000)).astype(np.float32)
    with WavWriter(path, rate=48_000, channel_count=2) as writer:
        writer.write(sound)
        writer.markers.extend(MARKERS)
    return sound


def test_wavinfo_reads_form_and_length(tmp_path):
    write(tmp_path / "a.wav")
    info = wavinfo.WavInfoReader(str(tmp_path / "a.wav"))
    form = info.fmt
    assert (form.audio_format, form.channel_count, form.sample_rate) == (1, 2, 48_000)
    assert (form.bits_per_sample, form.block_align, form.byte_rate) == (24, 6, 288_000)
    assert (info.data.frame_count, info.data.byte_count) == (144_000, 864_000)


def test_wavinfo_reads_markers_and_their_names(tmp_path):
    write(tmp_path / "a.wav")
    cues = wavinfo.WavInfoReader(str(tmp_path / "a.wav"), info_encoding="utf-8").cues
    found = [(cue.sample_offset, cues.label_and_note(cue.name)[0]) for cue in cues.cues]
    assert found == [(marker.frame, marker.name) for marker in MARKERS]


def test_two_cues_to_the_byte(tmp_path):
    # Layout of the specification's cue points, worked out by hand for frames 0 and 96000.
    path = tmp_path / "a.wav"
    with WavWriter(path, rate=48_000, channel_count=1) as writer:
        writer.write(np.zeros((1, 2), np.float32))
        writer.markers.extend([Marker(0, "A"), Marker(96_000, "B")])
    expected = bytes.fromhex(
        "63756520 34000000 02000000"
        "01000000 00000000 64617461 00000000 00000000 00000000"
        "02000000 00770100 64617461 00000000 00000000 00770100"
    )
    assert expected in path.read_bytes()


def test_libsndfile_reads_the_same_values(tmp_path):
    sound = write(tmp_path / "a.wav")
    read, rate = soundfile.read(tmp_path / "a.wav", dtype="float64")
    assert rate == 48_000
    assert np.abs(read.T - sound).max() <= 0.5 / (1 << 23)  # half of the last of 24 bits
