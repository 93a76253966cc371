"""Every problem of a whole show at once."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from syncbox.checking.whole import Checked, check_show
from syncbox.cli.check import check
from syncbox.cli.schema import schema
from syncbox.errors import UnreadableError

ROOT = Path(__file__).parents[2]
RIG = """\
syncbox: 1
ports: {p: {match: a, song-position: yes}}
instruments: {organ: {port: p, channel: 1}}
mixes: {all: {outputs: 1-2, levels: {click: -6, backing: -6}}}
"""
HEAD = "syncbox: 1\ntitle: x\ntempo: quarter = 120\n"


def checked_show(folder: Path, song: str, rig: str = RIG, **more: str) -> Checked:
    for name, text in {"song": song, "rig": rig, **more}.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    return check_show(folder)


def lines(checked: Checked) -> list[str]:
    return [f"{Path(p.place.file).stem}:{p.place.line} {p.what}" for p in checked.problems]


def sound(path: Path, seconds: float, channels: int = 1) -> None:
    path.parent.mkdir(exist_ok=True)
    soundfile.write(path, np.zeros((round(seconds * 8000), channels)), 8000, subtype="PCM_16")


def test_the_demo_show_is_clean() -> None:
    assert check_show(ROOT / "songs").problems == ()


def test_mistakes_of_every_kind_come_together(tmp_path: Path) -> None:
    checked = checked_show(
        tmp_path,
        HEAD
        + "sections:\n  - {section: A, bars: 4, patches: {organ: 129, piano: 1}}\n"
        + "  - {section: B, bars: -4, play: {stem: audio/none.wav}}\n",
        RIG.replace("1-2", "[1, 2]") + "output: 3\n",
        setlist="syncbox: 1\nsongs: [song, sing]\n",
    )
    assert lines(checked) == [
        "rig:5 a rig has no 'output'",
        "setlist:2 there is no song file 'sing.yaml'",
        "song:5 organ: program 129 is not on this panel; it goes from 1 to 128",
        "song:5 'piano' is not an instrument of the rig",
        "song:6 '-4' is out of range",
        "song:6 'audio/none.wav': there is no such file",
    ]


@pytest.mark.parametrize(
    "file",
    ["../out.wav", "/etc/out.wav", "audio/../../out.wav", "link/out.wav", "C:/out.wav", "a\\b.wav"],
)
def test_sounds_outside_the_folder(tmp_path: Path, file: str) -> None:
    folder = tmp_path / "show"
    folder.mkdir()
    sound(tmp_path / "out.wav", 1)
    (folder / "link").symlink_to(tmp_path)
    checked = checked_show(folder, f"{HEAD}sections: [{{section: A, bars: 1, say: '{file}'}}]\n")
    (problem,) = checked.problems
    assert "outside the show's folder" in problem.what or "one kind of computer" in problem.what
    assert "audio/pads.flac" in problem.hint


def test_sounds_that_cannot_be_played(tmp_path: Path) -> None:
    sound(tmp_path / "three.wav", 1, channels=3)
    sound(tmp_path / "short.wav", 1)
    (tmp_path / "text.wav").write_text("not a sound", encoding="utf-8")
    checked = checked_show(
        tmp_path,
        HEAD
        + "sections:\n- section: A\n  bars: 2\n  play:\n"
        + "".join(f"    - {{one-shot: {name}}}\n" for name in ("three.wav", "text.wav", "."))
        + "    - {one-shot: short.wav, from: 1 s}\n",
    )
    assert [problem.place.line for problem in checked.problems] == [8, 9, 10, 11]
    assert "only 1.000 s long" in checked.problems[-1].what


@pytest.mark.parametrize(("seconds", "clean"), [(4.0, True), (4.001, True), (4.1, False)])
def test_loops_as_long_as_their_bars(tmp_path: Path, seconds: float, clean: bool) -> None:
    sound(tmp_path / "loop.wav", seconds)
    checked = checked_show(
        tmp_path,
        HEAD + "sections: [{section: A, bars: 4, play: {loop: loop.wav, every: 2 bars}}]\n",
    )
    assert checked.errors == 0
    assert (checked.warnings == 0) == clean


def test_tonights_changes_are_checked_too(tmp_path: Path) -> None:
    song = (
        HEAD + "sections:\n  - {section: A, bars: 4, patches: {organ: 1}}\n"
        "  - {section: B, bars: 4, tempo: 390}\n"
    )
    checked = checked_show(
        tmp_path,
        song,
        setlist="syncbox: 1\nslot: 5 s\nsongs:\n"
        "  - {song: song, tempo: +5 %}\n  - {song: song, patches: {A: {organ: 129}}}\n"
        "  - {song: song, tempo: -50 %, skip: B}\n",
    )
    assert lines(checked) == [
        "setlist:0 the set is 0 min 31 s longer than its slot",
        "setlist:4 tonight's change takes a tempo of 'x' out of what can be played",
        "setlist:5 organ: program 129 is not on this panel; it goes from 1 to 128",
    ]


def test_warnings_that_the_files_earn(tmp_path: Path) -> None:
    checked = checked_show(
        tmp_path,
        HEAD.replace("quarter = 120", "120")
        + "meter: 7/8\nsections:\n  - {section: A, bars: 1, meter: 5/32}\n"
        + "  - {section: B, bars: 2}\n",
    )
    assert checked.errors == 0
    assert lines(checked) == [
        "song:3 a tempo without a note counts quarters, but the meter here is 7/8",
        "song:4 7/8 does not say how it is felt, so every note is a beat",
        "song:6 5/32 does not say how it is felt, so every note is a beat",
        "song:7 song position cannot name bar 1 of 'B': it begins between two sixteenths",
    ]


# --- the commands ------------------------------------------------------------------------------


def test_exit_codes_and_the_last_line(tmp_path: Path) -> None:
    run = CliRunner().invoke
    good = run(check, [str(ROOT / "songs")])
    assert (good.exit_code, good.output) == (0, "6 songs: nothing to correct\n")
    checked_show(tmp_path, HEAD + "sections: [{section: A, bars: 0}]\nkeys: E\n")
    bad = run(check, [str(tmp_path)])
    assert bad.exit_code == 1
    assert bad.output.splitlines()[-1] == "1 song: 2 errors"
    missing = run(check, [str(tmp_path / "nothing")])
    assert isinstance(missing.exception, UnreadableError)
    assert missing.exception.exit_code == 2


def test_warnings_alone_are_no_failure_and_json_says_where(tmp_path: Path) -> None:
    checked_show(tmp_path, HEAD + "meter: 5/8\nsections: [{section: A, bars: 2}]\n")
    result = CliRunner().invoke(check, [str(tmp_path), "--json"])
    assert result.exit_code == 0
    assert json.loads(result.output) == {
        "songs": 1,
        "errors": 0,
        "warnings": 1,
        "problems": [
            {
                "severity": "warning",
                "file": str(tmp_path / "song.yaml"),
                "line": 4,
                "column": 8,
                "what": "5/8 does not say how it is felt, so every note is a beat",
                "hint": "write for example 5/8 in 2+3",
            }
        ],
    }


def test_schemas_are_written_where_asked(tmp_path: Path) -> None:
    result = CliRunner().invoke(schema, ["-o", str(tmp_path / "deep" / "er")])
    assert result.exit_code == 0
    written = {path.name for path in (tmp_path / "deep" / "er").iterdir()}
    assert written == {path.name for path in (ROOT / "syncbox" / "guide" / "schemas").iterdir()}
    (tmp_path / "file").write_text("", encoding="utf-8")
    wrong = CliRunner().invoke(schema, ["-o", str(tmp_path / "file" / "x")])
    assert isinstance(wrong.exception, UnreadableError)


def test_a_show_of_broken_files_only(tmp_path: Path) -> None:
    shutil.copy(ROOT / "songs" / "audio" / "tram-bell.flac", tmp_path / "song.yaml")
    (tmp_path / "rig.yaml").write_bytes(b"\x00\x01")
    (tmp_path / "setlist.yaml").write_bytes(b"\xff\xfe\x00")
    checked = check_show(tmp_path)
    assert checked.errors == 3
