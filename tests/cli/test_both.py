"""Two computers on one: `run` or `spare` is killed, and typed again, while the other goes on."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import sys
import threading
import time

import pytest
from nights import PATIENCE_S, Night, night_in

from syncbox.drivers.processes import watch
from syncbox.drivers.runfile import engine_of

pytestmark = [
    pytest.mark.wall_clock,
    pytest.mark.skipif(sys.platform == "win32", reason="kills as only POSIX systems do"),
    pytest.mark.timeout(180),
]
PATIENT = ("--after", "20")  # a busy machine starts a host slowly; the beacon outlives it


class Read:
    """The lines of a process as they come."""

    def __init__(self, process):
        self.process, self.lines = process, []
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self):
        for line in self.process.stdout:
            self.lines.append(" ".join(line.split()))

    def wait_for(self, text, since=0):
        deadline_s = time.monotonic() + PATIENCE_S
        while not any(text in line for line in self.lines[since:]):
            assert time.monotonic() < deadline_s, (text, self.lines)
            time.sleep(0.02)


class Two:
    """The first computer's folder and the spare's, and how to start each."""

    def __init__(self, first, spare):
        self.first_night, self.spare_night = first, spare
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("", 0))
            self.port = str(free.getsockname()[1])

    def run(self, *options):
        return Read(self.first_night.run(*options))

    def first(self):
        return self.run("--start", "--spare", f"127.0.0.1:{self.port}")

    def spare(self, *options):
        return Read(self.spare_night.run("--port", self.port, *options, command="spare"))


@pytest.fixture
def two(show_folder, tmp_path, monkeypatch, tmp_path_factory):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("run")))
    with night_in(show_folder) as first:
        copy = shutil.copytree(show_folder, tmp_path / "copy")
        with night_in(copy) as spare:
            yield Two(first, spare)


def killed(read):
    read.process.kill()
    read.process.wait(timeout=PATIENCE_S)


def left(read, night: Night):
    read.process.send_signal(2)
    assert read.process.wait(timeout=PATIENCE_S) == 130
    return read.process.stderr.read()


def test_the_first_ones_screen_is_killed_and_the_spare_follows_on(two):
    first, spare = two.first(), two.spare()
    first.wait_for("spare: goes along")
    spare.wait_for("following, silent")
    for _ in range(2):  # the next host's beacon is relieved like the first one's
        killed(first)
        time.sleep(2.5)  # longer than a spare waits that hears nothing
        first = two.run()
        first.wait_for("This show plays on without a screen")
        first.wait_for("spare: goes along")
    assert not any("took over" in line or "quiet" in line for line in spare.lines)
    assert not left(first, two.first_night)
    spare.wait_for("first has left")
    left(spare, two.spare_night)


def test_a_spare_can_be_named_to_a_show_that_plays_already(two):
    first = two.run("--start")
    first.wait_for("Chorus")
    killed(first)
    spare = two.spare()
    again = two.run("--spare", f"127.0.0.1:{two.port}")
    again.wait_for("spare: goes along")
    spare.wait_for("following, silent")
    killed(again)
    third = two.run()  # the address is kept
    third.wait_for("spare: goes along")
    left(third, two.first_night)
    left(spare, two.spare_night)


def test_a_spare_cannot_be_named_once_the_files_are_others(two):
    first = two.run("--start")
    first.wait_for("Chorus")
    killed(first)
    (two.first_night.folder / "slow-one.yaml").write_text("quite: something else")
    again = two.run("--spare", f"127.0.0.1:{two.port}")
    again.wait_for("Chorus")
    assert "--spare: left out" in left(again, two.first_night)


def test_what_has_taken_over_plays_on_without_its_screen(two):
    first, spare = two.first(), two.spare("--after", "1")
    first.wait_for("spare: goes along")
    engine = watch(engine_of(two.first_night.deck))
    killed(first)
    beacon = two.first_night.beacon()
    beacon.kill()
    engine.kill()
    spare.wait_for("playing, took over by itself")
    silent = watch(engine_of(two.spare_night.deck))
    killed(spare)
    time.sleep(1)
    assert silent.alive
    again = two.spare()
    again.wait_for("This show plays on without a screen")
    again.wait_for("playing, took over")
    again.wait_for("Chorus")
    killed(again)
    by_run = Read(two.spare_night.run("--spare", "10.0.0.9"))  # it is the same to a person in need
    by_run.wait_for("playing, took over")
    assert "this computer is the spare" in left(by_run, two.spare_night)
    assert not silent.alive


def took_over_while_the_first_plays(two):
    """Both play: the first one's beacon stood still for longer than the spare waits."""
    first, spare = two.first(), two.spare("--after", "1")
    first.wait_for("spare: goes along")
    spare.wait_for("following, silent")
    beacon = two.first_night.beacon_pid()
    os.kill(beacon, signal.SIGSTOP)
    spare.wait_for("playing, took over by itself")
    os.kill(beacon, signal.SIGCONT)
    first.wait_for("BOTH ARE PLAYING")
    return first, spare


def says_of_spare(first):
    return [line for line in first.lines if line.startswith("spare: ")][-1]


def test_a_first_that_plays_hears_of_a_spare_without_a_screen(two):
    first, spare = took_over_while_the_first_plays(two)
    killed(spare)
    time.sleep(3)  # twice as long as the first one waits for a word
    assert says_of_spare(first) == "spare: BOTH ARE PLAYING"
    again = two.spare()
    again.wait_for("BOTH ARE PLAYING")
    killed(again)  # its voice is another one, and speaks as well
    time.sleep(3)
    assert says_of_spare(first) == "spare: BOTH ARE PLAYING"
    left(first, two.first_night)


def test_a_first_that_is_started_hears_of_a_spare_without_a_screen(two):
    first, spare = took_over_while_the_first_plays(two)
    left(first, two.first_night)
    killed(spare)
    time.sleep(1)
    begun = two.first()
    begun.process.wait(timeout=PATIENCE_S)
    assert "THE SPARE COMPUTER PLAYS" in begun.process.stderr.read()
    again = two.spare()
    again.wait_for("playing, took over")
    left(again, two.spare_night)
    begun = two.first()  # and after it has left, nobody says so any more
    begun.wait_for("Chorus")
    left(begun, two.first_night)


def test_a_silent_spare_leaves_with_its_screen(two):
    first, spare = two.first(), two.spare(*PATIENT)
    first.wait_for("spare: goes along")
    engine = watch(engine_of(two.spare_night.deck))
    killed(spare)
    again = two.spare(*PATIENT)  # at once: what leaves is not taken over
    again.wait_for("following, silent")
    assert not engine.alive
    assert not any("plays on" in line for line in again.lines)
    first.wait_for("spare: goes along", since=len(first.lines) - 1)
    left(first, two.first_night)
    left(again, two.spare_night)
