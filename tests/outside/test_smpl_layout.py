"""The `smpl` chunk byte by byte, and read back by wavinfo and by libsndfile.

Layout: the multimedia register of 1994 ("smpl ... Added: 11/09/93"): nine numbers of 32
bits, then 24 bytes a loop; the loop's end is played too, play count 0 is for ever, and
the sample period is cut off to whole nanoseconds (the register prints 22675 for 44.1 kHz).
"""

import numpy as np
import pytest
import soundfile
import wavinfo

from syncbox.audio.wav import Loop, Marker, WavWriter


def write(path, frames, rate=48_000, markers=()):
    with WavWriter(path, rate=rate, channel_count=1) as writer:
        writer.write(np.zeros((1, frames), np.float32))
        writer.loops.append(Loop(0, frames - 1))
        writer.markers.extend(markers)


def test_two_seconds_to_the_byte(tmp_path):
    # Worked out by hand for one loop over frames 0 to 95999 at 48 kHz.
    write(tmp_path / "a.wav", 96_000)
    expected = bytes.fromhex(
        "736D706C 3C000000" + "00000000" * 2 + "61510000 3C000000" + "00000000" * 3 + "01000000"
        "00000000 01000000 00000000 00000000 FF760100 00000000 00000000"
    )
    data = (tmp_path / "a.wav").read_bytes()
    assert data.count(expected) == 1
    assert int.from_bytes(data[4:8], "little") == len(data) - 8


@pytest.mark.parametrize(("rate", "period"), [(44_100, 22_675), (48_000, 20_833)])
def test_wavinfo_reads_the_loop_and_the_cut_off_period(tmp_path, rate, period):
    write(tmp_path / "a.wav", 1001, rate, [Marker(0, "A")])
    info = wavinfo.WavInfoReader(str(tmp_path / "a.wav"))
    (loop,) = info.smpl.sample_loops
    assert (loop.start, loop.end, loop.loop_type, loop.repetition_count) == (0, 1000, 0, 0)
    assert info.smpl.sample_period_ns == period
    assert info.smpl.midi_note == 60
    assert [cue.sample_offset for cue in info.cues.cues] == [0]
    assert info.data.frame_count == 1001


def test_libsndfile_reads_the_file_and_its_length(tmp_path):
    write(tmp_path / "a.wav", 1001)
    assert soundfile.info(tmp_path / "a.wav").frames == 1001
