from pathlib import Path

import pytest

from syncbox.cli.main import run_command

DEMO = str(Path(__file__).parents[2] / "songs")


def test_one_song_of_the_demo_goes_to_its_folder(tmp_path, capsys):
    arguments = ["render", DEMO, "--song", "nine-kites", "-o", str(tmp_path / "out")]
    assert run_command(arguments) == 0
    printed = capsys.readouterr()
    assert printed.out.startswith("Nine Kites: ")
    assert printed.out.endswith(f"7 files in {tmp_path / 'out' / '01-nine-kites'}\n")
    assert printed.err == ""  # no bar where there is no terminal
    assert len(list((tmp_path / "out" / "01-nine-kites").iterdir())) == 7


@pytest.mark.parametrize(
    ("more", "code", "words"),
    [
        (["--song", "nine-kytes"], 1, "did you mean 'nine-kites'?"),
        (["--cues", "often"], 2, "'often' is no cue"),
        (["--rate", "7999"], 2, "8000"),
    ],
)
def test_wrong_arguments_get_one_message(tmp_path, capsys, more, code, words):
    assert run_command(["render", DEMO, "-o", str(tmp_path), *more]) == code
    assert words in capsys.readouterr().err


def test_a_show_that_is_not_there(tmp_path, capsys):
    assert run_command(["render", str(tmp_path / "gone"), "-o", str(tmp_path)]) == 2
    assert "gone" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written(tmp_path, capsys):
    (tmp_path / "file").write_text("in the way")
    arguments = ["render", DEMO, "--song", "nine-kites", "-o", str(tmp_path / "file")]
    assert run_command(arguments) == 2
    assert "choose another folder with -o" in capsys.readouterr().err
