import io
import json

import pytest
import soundfile
from rehearsing import taken

from syncbox.cli.main import run_command
from syncbox.rehearsal.onsets import RATE
from syncbox.rehearsal.takes import Round, Take, add_take

SONG = """\
syncbox: 1
title: Imagined
tempo: quarter = {tempo}   # argued about
count-in: 1 bar
sections:
"""


@pytest.fixture(scope="module")
def show(tmp_path_factory):
    played, sound, _ = taken(drift=0.06, seed=6)
    song = played.chart.song
    folder = tmp_path_factory.mktemp("show")
    text = SONG.format(tempo=song.tempo_qpm)
    for section in song.sections:
        text += f"  - section: {section.name}\n    bars: {section.body.bars}\n"
    (folder / "imagined.yaml").write_text(text)
    (folder / "rig.yaml").write_text(
        "syncbox: 1\nmixes:\n  drummer: {outputs: 1-2, levels: {click: 0 dB}, ceiling: -6 dB}\n"
    )
    (folder / "setlist.yaml").write_text("syncbox: 1\ntitle: Night\nsongs: [imagined]\n")
    soundfile.write(folder / "take.wav", sound, RATE)
    return folder


def run(capsys, *arguments):
    code = run_command(["compare", *map(str, arguments)])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def test_a_take_in_words_picture_and_report(show, capsys, tmp_path):
    picture, report = tmp_path / "a.png", tmp_path / "a.html"
    code, out, err = run(
        capsys, show / "take.wav", show, "--song", "imagined",
        "--picture", picture, "--report", report, "--players",
    )  # fmt: skip
    assert code == 0, err
    assert "match 1.00" in out or "match 0.9" in out
    assert "channel 1" in out
    assert picture.exists()
    assert report.exists()


def test_json_and_csv(show, capsys):
    code, out, _ = run(capsys, show / "take.wav", show, "--song", "imagined", "--json")
    assert code == 0
    assert json.loads(out)["song"] == "imagined"
    code, out, err = run(
        capsys, show / "take.wav", show, "--song", "imagined", "--csv", "--players"
    )  # fmt: skip
    assert code == 0
    assert "channel 1" in err
    assert out.startswith("bar,beat,expected_s")


def test_a_proposal_is_written_only_on_yes(show, capsys, monkeypatch):
    path = show / "imagined.yaml"
    before = path.read_text()
    asked = (show / "take.wav", show, "--song", "imagined", "--propose")
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    code, out, err = run(capsys, *asked)
    assert code == 0, err
    assert "proposed:" in out
    assert path.read_text() == before
    code, _, err = run(capsys, *asked, "--yes")
    assert code == 0, err
    after = path.read_text()
    assert after != before
    assert "# argued about" in after
    assert [line for line in after.splitlines() if "tempo" not in line and "ramp" not in line] == [
        line for line in before.splitlines() if "tempo" not in line and "ramp" not in line
    ]
    assert run_command(["check", str(show)]) == 0
    path.write_text(before)


def test_mistakes_get_one_message(show, capsys):
    code, _, err = run(capsys, show / "none.wav", show, "--song", "imagined")
    assert code == 2
    assert "no such file" in err
    code, _, err = run(capsys, show / "take.wav", show, "--song", "imagine")
    assert code == 1
    assert "did you mean 'imagined'" in err
    code, _, err = run(capsys, show / "take.wav", show / "nowhere", "--song", "imagined")
    assert code == 2
    assert "nowhere: there is no such folder" in err
    code, _, err = run(
        capsys, show / "take.wav", show, "--song", "imagined", "--report", show / "take.wav"
    )  # fmt: skip
    assert code == 1
    assert ".html" in err
    assert (show / "take.wav").stat().st_size > 100_000, "a slip does not cost the recording"


@pytest.mark.parametrize("speed", ["fast", "10%", "250%", "-80%"])
def test_a_speed_that_makes_no_sense_is_refused(show, capsys, speed):
    code, _, err = run(
        capsys, show / "take.wav", show, "--song", "imagined", f"--speed={speed}"
    )  # fmt: skip
    assert code == 2
    assert "from 20% to 200%" in err


def test_a_speed_that_is_told_is_the_only_one_tried(show, capsys):
    code, out, _ = run(capsys, show / "take.wav", show, "--song", "imagined", "--speed", "60%")
    assert code != 0
    assert "does not look like this song" in out
    code, out, _ = run(capsys, show / "take.wav", show, "--song", "imagined", "--speed", "97.5%")
    assert code == 0
    assert "than the map" in out


def test_takes_that_cannot_be_read_are_named_and_the_others_are_told(show, capsys, tmp_path):
    (tmp_path / "broken.wav").write_text("no sound")
    code, out, err = run(
        capsys, tmp_path / "broken.wav", show / "take.wav", show, "--song", "imagined", "--jobs", 2
    )  # fmt: skip
    assert code == 2
    assert "broken.wav: this cannot be read" in err
    assert "take.wav: match" in out


def test_a_recording_of_rehearse_is_read_by_its_rounds(show, capsys):
    (show / "takes").mkdir(exist_ok=True)
    path = show / "takes" / "whole.wav"
    path.write_bytes((show / "take.wav").read_bytes())
    played, _, _ = taken(drift=0.06, seed=6)
    first = next(
        float(beats[0])
        for index, beats in zip(played.order, played.beats_s, strict=True)
        if not played.chart.bars[index].opening
    )
    add_take(
        show,
        Take(
            "imagined",
            "2031-02-03T20:15:00",
            "",
            "",
            (Round(1, "1", round(first * RATE)), Round(2, "1", round((first + 30) * RATE))),
            path.name,
            RATE,
        ),
    )
    code, out, err = run(capsys, path, show, "--song", "imagined", "--round", 1, "--json")
    assert code == 0, err
    told = json.loads(out)
    assert (told["round"], told["speed"], told["song"]) == (1, 1.0, "imagined")
    code, _, err = run(capsys, path, show, "--song", "imagined", "--csv")
    assert code == 1
    assert "--round 1" in err
    code, _, err = run(capsys, show / "take.wav", show, "--song", "imagined", "--round", 1)
    assert code == 1
    assert "no recording of a rehearsal" in err
