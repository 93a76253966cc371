import numpy as np
import pytest
import soundfile

from syncbox.errors import UnreadableError
from syncbox.rehearsal.spoken import cut_notes

RATE = 8_000


def test_what_was_said_after_each_mark(tmp_path):
    talk = np.zeros(40 * RATE)
    talk[2 * RATE : 3 * RATE] = 0.1  # said after the first mark
    talk[30 * RATE :] = 0.2  # after the last
    soundfile.write(tmp_path / "talk.wav", talk, RATE)
    names = cut_notes(tmp_path / "talk.wav", [RATE, 5 * RATE, 8 * RATE, 27 * RATE])
    assert names == ["talk note 1.wav", "", "", "talk note 4.wav"]
    first, _ = soundfile.read(tmp_path / names[0])
    assert len(first) == 4 * RATE, "up to the next mark"
    assert np.flatnonzero(first)[0] == RATE
    last, _ = soundfile.read(tmp_path / names[3])
    assert len(last) == 12 * RATE
    assert soundfile.info(tmp_path / "talk.wav").frames == 40 * RATE, "the recording is kept"


def test_marks_outside_the_recording_cost_nothing(tmp_path):
    soundfile.write(tmp_path / "talk.wav", np.full(RATE, 0.1), RATE)
    assert cut_notes(tmp_path / "talk.wav", [-50, RATE + 1, 99 * RATE]) == [
        "talk note 1.wav",
        "",
        "",
    ]
    assert cut_notes(tmp_path / "talk.wav", []) == []


def test_a_recording_that_cannot_be_read_is_said(tmp_path):
    (tmp_path / "talk.wav").write_text("torn")
    with pytest.raises(UnreadableError, match="spoken notes"):
        cut_notes(tmp_path / "talk.wav", [0])
