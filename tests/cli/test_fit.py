"""`syncbox fit`: what it writes, what it says, and how it refuses."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from drums import drum_loop

from syncbox.cli.main import run_command

DEMO = str(Path(__file__).parents[2] / "songs")


@pytest.fixture
def loop_file(tmp_path):
    loop, _ = drum_loop(100, rate=44_100)
    path = tmp_path / "drums.wav"
    soundfile.write(path, np.pad(loop, ((0, 0), (3000, 2000))).T, 44_100)
    return path


def fit(capsys, *arguments):
    code = run_command(["fit", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, out, err


def test_to_a_tempo_as_data(capsys, loop_file, tmp_path):
    out_file = tmp_path / "out.wav"
    code, out, _ = fit(
        capsys, loop_file, "--bars", 2, "--to", "half = 60", "-o", out_file, "--json"
    )
    data = json.loads(out)
    assert code == 0
    assert data["source_tempo"] == pytest.approx(100, rel=2e-4)
    assert (data["bars"], data["target_frames"], data["way"]) == (2, 192_000, "slices")
    assert data["frames"] == pytest.approx(230_400, abs=40)
    assert data["onset_error_ms"]["max"] <= 2.0
    assert data["seam_step"] <= data["largest_step"]
    assert data["loudness_lufs"] < 0
    info = soundfile.info(out_file)
    assert (info.frames, info.samplerate) == (192_000, 48_000)


def test_to_a_section_with_a_ramp_and_a_picture(capsys, loop_file, tmp_path):
    code, out, _ = fit(
        capsys,
        *(loop_file, "--bars", 2, "--show", DEMO, "--song", "salt-ladder", "--section", "climb"),
        *("--way", "resample", "--picture", tmp_path / "p.png"),
    )
    assert code == 0
    assert "fitted to Climb of salt-ladder by resample" in out
    assert (tmp_path / "drums-fitted.wav").exists()
    assert (tmp_path / "p.png").read_bytes().startswith(b"\x89PNG")


def test_without_a_goal_it_is_only_trimmed(capsys, loop_file):
    code, out, _ = fit(capsys, loop_file)
    assert code == 0
    assert "2 bars at quarter = 100.0" in out
    assert "fitted to its own tempo" in out
    assert "as long as it was" in out


def test_a_loop_without_a_grid_is_told(capsys, tmp_path):
    rng = np.random.default_rng(4)
    sound = np.zeros(4 * 48_000)
    for second in np.cumsum(rng.uniform(0.1, 0.5, 12)):
        first = round(second * 48_000)
        part = sound[first : first + 4000]
        part += rng.standard_normal(len(part)) * np.exp(-np.arange(len(part)) / 600) * 0.2
    soundfile.write(tmp_path / "a.wav", sound, 48_000)
    code, out, _ = fit(capsys, tmp_path / "a.wav", "--bars", 2)
    assert code == 0
    assert "no clear grid" in out


@pytest.mark.parametrize(
    ("more", "code", "says"),
    [
        (["--song", "salt-ladder"], 2, "--song and --section go together"),
        (["--show", DEMO, "--song", "salt-ladder", "--section", "Cllimb"], 1, "it has Verse"),
        (["--show", DEMO, "--song", "salt-lader", "--section", "Climb"], 1, "salt-ladder"),
        (["--to", "quick"], 2, "is not a tempo"),
        (["--meter", "5"], 2, "is not a meter"),
        (["--from", "soon"], 2, "is not a length of time"),
        (["--bars", "2", "--to", "20"], 1, "slower"),
        (["-o", "/proc/none/a.wav"], 2, "cannot be written"),
    ],
)
def test_mistakes_get_one_message(capsys, loop_file, more, code, says):
    found, out, err = fit(capsys, loop_file, *more)
    assert found == code
    assert says in err
    assert out == ""
    assert "Traceback" not in err


def test_a_missing_or_silent_file(capsys, tmp_path):
    assert fit(capsys, tmp_path / "none.wav")[0] == 2
    soundfile.write(tmp_path / "quiet.wav", np.zeros(48_000), 48_000)
    code, _, err = fit(capsys, tmp_path / "quiet.wav")
    assert code == 1
    assert "silent" in err
