from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
import wavinfo
from click.testing import CliRunner

from syncbox.cli.render import render as command
from syncbox.engine.script import CueScript
from syncbox.errors import UnreadableError
from syncbox.pack.clicks import render_clicks
from syncbox.pack.render import render_song, song_jobs
from syncbox.score.reading import read_show
from syncbox.score.rig import Mix

RATE = 48_000
SONGS = Path(__file__).parents[2] / "songs"
CUES = CueScript(rounds=(3,), hold_seconds=(2,))


def clicks_alone(show):
    """The show with one listener, who hears the clicks as they are and nothing else."""
    levels = {"click": 0.0, "count-in": 0.0}
    only = Mix("click", (1,), levels, ceiling_db=0.0)
    return replace(show, rig=replace(show.rig, mixes=(only,)))


@pytest.mark.parametrize("number", range(6))
def test_the_clicks_are_the_engine_s_to_the_sample(tmp_path, number):
    """Vamps, holds, ramps, pickups and odd meters of the demo show, a script's cues among them."""
    show = clicks_alone(read_show(SONGS, problems=[]))
    job = song_jobs(show, tmp_path / "engine", rate=RATE, script=CUES)[number]
    by_engine, _ = soundfile.read(render_song(job).files[0], dtype="int32")
    alone = render_clicks(replace(job, folder=tmp_path / "alone"))
    by_itself, rate = soundfile.read(alone.files[0], dtype="int32")
    assert rate == RATE
    assert len(by_itself) == alone.frame_count <= len(by_engine)
    assert np.array_equal(by_itself, by_engine[: len(by_itself)])
    assert np.abs(by_itself).max() > 2**28, "there is something to hear"
    assert marks_of(alone.files[0]) == marks_of(job.folder / "click.wav")


def marks_of(path):
    """The markers of a file as an independent reader finds them."""
    found = wavinfo.WavInfoReader(str(path)).cues
    return [(cue.position, found.label_and_note(cue.name)[0]) for cue in found.cues]


def test_a_set_of_clicks_by_command(tmp_path):
    shown = CliRunner().invoke(
        command, [str(SONGS), "--click", "-o", str(tmp_path)], catch_exceptions=False
    )
    assert shown.exit_code == 0
    files = sorted(path.name for path in tmp_path.rglob("*") if path.is_file())
    assert files == ["click.wav"] * 6
    assert shown.output.count("1 file in") == 6


def test_a_folder_that_cannot_be_written_is_one_message(tmp_path):
    (tmp_path / "out").write_text("a file is in the way")
    job = song_jobs(read_show(SONGS, problems=[]), tmp_path / "out", rate=RATE, script=CUES)[0]
    with pytest.raises(UnreadableError, match="cannot write"):
        render_clicks(job)
