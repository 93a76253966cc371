"""`tap` as a script meets it; as a person, through a terminal of its own."""

import json
import os
import pty
import subprocess
import sys
import time

import pytest

TAP = [sys.executable, "-m", "syncbox", "tap"]


def tap(*arguments):
    return subprocess.run(
        [*TAP, *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        stdin=subprocess.DEVNULL,
    )


def taps_file(folder, seconds):
    path = folder / "taps.json"
    path.write_text(json.dumps(seconds))
    return path


def test_taps_become_a_song_that_checks(tmp_path):
    path = taps_file(tmp_path, [n * 0.5 for n in range(32)])
    done = tap(tmp_path, "new-song", "--sections", "Intro 4, Verse 4", "--taps", path)
    assert done.returncode == 0, done.stderr
    assert "120 quarters a minute" in done.stdout
    check = [sys.executable, "-m", "syncbox", "check", str(tmp_path)]
    assert subprocess.run(check, capture_output=True, timeout=60, check=False).returncode == 0


def test_a_song_that_is_there_is_kept(tmp_path):
    (tmp_path / "old.yaml").write_text("kept")
    done = tap(tmp_path, "old", "--sections", "A 4", "--taps", taps_file(tmp_path, [0, 1]))
    assert done.returncode == 1
    assert "it is kept" in done.stderr
    assert (tmp_path / "old.yaml").read_text() == "kept"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--sections", "Intro"), "not a section with its bars"),
        (("--sections", "Intro 4 (7/0)"), "7/0"),
        (("--sections", "Intro 4"), "no keyboard here"),
        (("--sections", "Intro 4", "--taps", "nowhere.json"), "cannot be read"),
    ],
)
def test_what_cannot_be_done_is_said(tmp_path, arguments, says):
    done = tap(tmp_path, "new", *arguments)
    assert done.returncode in (1, 2)
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_a_person_taps_on_a_terminal(tmp_path):
    host, terminal = pty.openpty()
    process = subprocess.Popen(
        [*TAP, str(tmp_path), "tapped", "--sections", "Intro 4"],
        stdin=terminal,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert "Tap 16 beats" in process.stdout.readline()
        for _ in range(16):
            time.sleep(0.1)
            os.write(host, b" ")
        rest = process.communicate(timeout=30)[0]
    finally:
        process.kill()
        process.wait()
        os.close(host)
        os.close(terminal)
    assert "16 taps" in rest
    assert (tmp_path / "tapped.yaml").exists()
