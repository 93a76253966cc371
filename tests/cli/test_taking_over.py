"""`run` is killed in mid-song and typed again, as a person would who needs the screen."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from nights import PATIENCE_S, RUN, Night, night_in

from syncbox.cli.taking_over import files_of
from syncbox.drivers.journal import journal_path, read_journal
from syncbox.drivers.processes import runtime_folder, watch
from syncbox.drivers.runfile import engine_of

pytestmark = [
    pytest.mark.wall_clock,
    pytest.mark.skipif(sys.platform == "win32", reason="kills as only POSIX systems do"),
    pytest.mark.timeout(120),
]
SHORT = ("--driver", "simulated", "--start", "--once", "--song", "slow-one")


@pytest.fixture
def night(show_folder, monkeypatch, tmp_path_factory):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("run")))
    with night_in(show_folder) as found:
        yield found


def test_the_same_command_again_is_its_screen(night):
    first = night.run("--start")
    night.wait_for("bar", section="Chorus")
    deck = night.deck
    engine = watch(engine_of(deck))
    night.killed(first)
    assert engine.alive
    again = night.run("--song", "slow-one", "--start")
    night.wait_for("taken over")
    night.wait_for("bar", section="Chorus")
    out, err = night.left(again)
    assert again.returncode == 128 + signal.SIGINT
    assert out.startswith("This show plays on without a screen")
    assert "Long Road Chorus" in " ".join(out.split())
    assert err == "--song: left out, because it counts only where a show begins.\n"
    assert read_journal(journal_path(night.folder))[0][-1]["what"] == "closed"
    assert not engine.alive
    assert not Path("/dev/shm", deck).exists()
    assert list(runtime_folder().iterdir()) == []


def test_a_show_that_has_its_screen_gets_no_second_one(night, monkeypatch):
    first = night.run("--start")
    night.wait_for("bar")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "none-of-this-name")
    second = subprocess.run(
        [*RUN, str(night.folder), "--driver", "portaudio", "--start"],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert second.returncode == 2
    assert f"process {first.pid}" in second.stderr
    beside = night.run("--start", "--song", "slow-one", "--once")
    _, err = beside.communicate(timeout=PATIENCE_S)
    assert beside.returncode == 0
    assert "plays beside it" in err
    night.left(first)
    assert first.returncode == 128 + signal.SIGINT


def test_files_that_were_changed_meanwhile_are_named(night):
    first = night.run("--start")
    night.wait_for("bar", section="Verse")
    night.killed(first)
    for path in night.folder.glob("*.yaml"):
        path.write_text("quite: something else\n", encoding="utf-8")  # a show no more
    again = night.run()
    night.wait_for("bar", section="Chorus")
    out, err = night.left(again)
    assert "Long Road" in out
    assert "files were changed" in err


def test_another_show_folder_is_another_show(night, tmp_path):
    first = night.run("--start")
    night.wait_for("bar", section="Verse")
    night.killed(first)
    other = Night(tmp_path / "other")
    other.folder.mkdir()
    for path in night.folder.glob("*.yaml"):
        (other.folder / path.name).write_bytes(path.read_bytes())
    out, err = other.run("--start", "--song", "slow-one", "--once").communicate(timeout=PATIENCE_S)
    assert "plays on" not in out + err
    again = night.run()
    night.wait_for("taken over")
    night.left(again)


def test_a_show_folder_that_cannot_be_written(night):
    os.chmod(night.folder, 0o500)
    try:
        first = night.run("--start")
        deadline_s = time.monotonic() + PATIENCE_S
        while "Chorus" not in first.stdout.readline():
            assert time.monotonic() < deadline_s
        night.killed(first)
        again = night.run()
        assert again.stdout.readline().startswith("This show plays on")
        while "Chorus" not in again.stdout.readline():
            assert time.monotonic() < deadline_s
        night.left(again)
    finally:
        os.chmod(night.folder, 0o700)


def test_without_a_place_for_the_run_file_it_says_that_it_ends_with_its_window(night, tmp_path):
    blocked = tmp_path / "blocked"
    blocked.mkdir()
    (blocked / "syncbox").write_text("in the way", encoding="utf-8")
    environment = {**os.environ, "XDG_RUNTIME_DIR": str(blocked)}
    done = subprocess.run(
        [*RUN, str(night.folder), *SHORT],
        capture_output=True,
        text=True,
        env=environment,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 0
    assert done.stderr.startswith("If this window is killed the music stops with it: ")


def test_what_stands_for_the_files(tmp_path):
    (tmp_path / "a.yaml").write_text("one", encoding="utf-8")
    before = files_of(tmp_path)
    assert files_of(tmp_path) == before
    (tmp_path / "notes.txt").write_text("more", encoding="utf-8")
    assert files_of(tmp_path) == before
    (tmp_path / "a.yaml").write_text("two", encoding="utf-8")
    assert files_of(tmp_path) != before
    (tmp_path / "a.yaml").rename(tmp_path / "b.yaml")
    assert files_of(tmp_path) != before
