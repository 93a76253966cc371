"""A sound that is missing: found by check, and on the night it costs only itself."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from syncbox.cli.check import check
from syncbox.cli.prepare import compiled, playable_show, tonights_show
from syncbox.errors import ShowError

DEMO = Path(__file__).parents[2] / "songs"
LOST = "audio/kites-grid.flac"


@pytest.fixture
def show_folder(tmp_path):
    shutil.copytree(DEMO, tmp_path / "show", ignore=shutil.ignore_patterns(".prepared"))
    return tmp_path / "show"


@pytest.mark.parametrize("damage", [lambda path: path.unlink(), lambda path: path.write_text("?")])
def test_a_lost_stem_costs_only_itself_on_the_night(show_folder, damage, capsys):
    whole = compiled(playable_show(show_folder), 48_000)
    damage(show_folder / LOST)
    program = compiled(tonights_show(show_folder, None), 48_000)
    err = capsys.readouterr().err
    assert err.count(f"left out: {LOST}") == 1
    assert [song.id for song in program.songs] == [song.id for song in whole.songs]
    assert len(program.clips) == len(whole.clips) - 1
    with pytest.raises(ShowError, match="kites-grid"):
        playable_show(show_folder)  # what is written to files must be whole
    shown = CliRunner().invoke(check, [str(show_folder)])
    assert shown.exit_code == 1
    assert LOST in shown.output


def test_check_lists_every_sound_on_demand(show_folder):
    with (show_folder / "rig.yaml").open("a") as rig:
        rig.write("\nloudness: -16 LUFS\n")
    soundfile.write(show_folder / "audio" / "tram-bell.flac", np.zeros(24_000), 24_000)
    (show_folder / LOST).unlink()
    shown = CliRunner().invoke(check, [str(show_folder), "--sounds"])
    lines = {line.split(":")[0]: line for line in shown.output.splitlines() if ".flac:" in line}
    assert "cannot be read" in lines[LOST]
    assert "no loudness" in lines["audio/tram-bell.flac"]
    assert "held back by its peaks" in lines["audio/harbour-brush.flac"]
    as_json = CliRunner().invoke(check, [str(show_folder), "--sounds", "--json"])
    rows = {row["file"]: row for row in json.loads(as_json.output)["sounds"]}
    assert rows["audio/harbour-brush.flac"]["held_back"] is True
    assert rows["audio/copper-bells.flac"]["lufs"] == pytest.approx(-26.1, abs=0.1)
    assert "sounds" not in json.loads(
        CliRunner().invoke(check, [str(show_folder), "--json"]).output
    )
