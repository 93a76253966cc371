"""`rehearse` and `takes` as a script meets them, on the simulated driver."""

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time

import pytest
import soundfile

from syncbox.rehearsal.takes import read_takes

pytestmark = pytest.mark.wall_clock

PATIENCE_S = 60  # for a busy machine; nothing here is a claim about speed


def syncbox(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "syncbox", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
        stdin=subprocess.DEVNULL,
    )


def rehearse(show, *arguments):
    return syncbox(
        *("rehearse", show, "--song", "quick-one", "--driver", "simulated"),
        *("--start", "--once", *arguments),
    )


def test_a_section_comes_round_faster_each_time_and_is_logged(show_folder):
    done = rehearse(
        show_folder,
        *("--section", "verse", "--times", 2, "--speed", "150%", "--raise", "50%"),
        *("--click", "1-on-1-off"),
    )
    assert done.returncode == 0, done.stderr
    heard = [re.split(r"\s{3,}", line.strip())[2:] for line in done.stdout.splitlines()]
    parts = [line[0] for line in heard if line and line[0] in ("count-in", "Verse")]
    assert parts == ["count-in", "Verse", "Verse", "count-in", "Verse", "Verse"]
    (log,) = (show_folder / "takes").glob("*.jsonl")
    take = json.loads(log.read_text().splitlines()[-1])
    assert [each["speed"] for each in take["rounds"]] == ["3/2", "2"]
    listed = syncbox("takes", show_folder, "--song", "quick-one")
    assert "150%, 200%" in listed.stdout


def test_no_takes_yet(show_folder):
    assert (
        "no takes of quick-one yet" in syncbox("takes", show_folder, "--song", "quick-one").stdout
    )


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--section", "Vers"), "no section 'Vers'"),
        (("--section", "End", "--to", "Verse"), "comes before"),
        (("--speed", "fast"), "write 85%"),
        (("--speed", "500%"), "between 20% and 200%"),
        (("--click", "sometimes"), "2-on-2-off"),
        (("--record", "system:capture_1"), "recorded through JACK or an audio device"),
        (("--talk", "system:capture_1"), "recorded through JACK or an audio device"),
    ],
)
def test_what_cannot_be_done_is_said(show_folder, arguments, says):
    done = rehearse(show_folder, *arguments)
    assert done.returncode in (1, 2)
    assert says in done.stderr
    assert "Traceback" not in done.stderr


class Terminal:
    """A terminal of its own for a program that is not a script."""

    def __init__(self, *arguments):
        host, terminal = pty.openpty()
        self._host, self.seen = host, ""
        environment = {**os.environ, "TERM": "xterm", "COLUMNS": "100", "LINES": "30"}
        command = [sys.executable, "-m", "syncbox", *map(str, arguments)]
        self.process = subprocess.Popen(
            command, stdin=terminal, stdout=terminal, stderr=terminal, env=environment
        )
        os.close(terminal)

    def wait_for(self, words):
        deadline_s = time.monotonic() + PATIENCE_S
        while words not in self.seen:
            assert time.monotonic() < deadline_s, self.seen[-2000:]
            if select.select([self._host], [], [], 0.2)[0]:
                try:
                    self.seen += os.read(self._host, 65_536).decode(errors="replace")
                except OSError:  # the program has left
                    assert words in self.seen, self.seen[-2000:]

    def press(self, keys):
        os.write(self._host, keys)

    def close(self):
        self.process.kill()
        self.process.wait()
        os.close(self._host)


@pytest.mark.jack
def test_a_note_is_spoken_while_the_band_plays(show_folder, jack_server):
    """The click stands in for the voice: it comes out of a port like any other."""
    terminal = Terminal(
        *("rehearse", show_folder, "--song", "quick-one", "--section", "verse"),
        *("--driver", "jack", "--device", jack_server, "--start", "--once"),
        *("--talk", "syncbox*:out_1", "--times", 3),
    )
    try:
        terminal.wait_for("■")  # the mark of a beat: it plays
        terminal.press(b"n")
        terminal.wait_for("(spoken: ")
        terminal.press(b"too late\n")
        assert terminal.process.wait(PATIENCE_S) == 0
    finally:
        terminal.close()
    (log,) = (show_folder / "takes").glob("*.jsonl")
    (note,) = json.loads(log.read_text().splitlines()[-1])["notes"]
    assert note["text"] == "too late"
    said = soundfile.info(show_folder / "takes" / note["sound"])
    assert said.frames > 0
    listed = syncbox("takes", show_folder, "--song", "quick-one").stdout
    assert f"too late   spoken: {note['sound']}" in listed


def test_a_note_without_words_is_logged_even_if_one_has_enough_of_them(show_folder):
    terminal = Terminal(
        *("rehearse", show_folder, "--song", "quick-one", "--section", "verse"),
        *("--driver", "simulated", "--start", "--once", "--times", 2),
    )
    try:
        terminal.wait_for("■")
        terminal.press(b"n")
        time.sleep(1)
        terminal.press(b"n")
        terminal.wait_for("No MIDI leaves the computer")  # the last line of the summary
        time.sleep(1)
        terminal.process.send_signal(signal.SIGINT)  # as Ctrl-C does
        terminal.wait_for("logged in")
        terminal.process.wait(PATIENCE_S)
    finally:
        terminal.close()
    (log,) = (show_folder / "takes").glob("*.jsonl")
    last = json.loads(log.read_text().splitlines()[-1])
    assert [note["text"] for note in last["notes"]] == ["", ""]


WITH_PICKUP = """\
syncbox: 1
title: Up
tempo: quarter = 240
meter: 2/4
pickup: 1 beat
count-in: {count}
sections:
  - {{section: Verse, bars: 2}}
"""


@pytest.mark.parametrize("count", ["1 bar", "0 bars"])
def test_every_round_is_logged_also_behind_a_pickup_and_without_a_count_in(show_folder, count):
    (show_folder / "up.yaml").write_text(WITH_PICKUP.format(count=count))
    done = syncbox(
        *("rehearse", show_folder, "--song", "up", "--driver", "simulated"),
        *("--start", "--once", "--times", 3),
    )
    assert done.returncode == 0, done.stderr
    (take,), _ = read_takes(show_folder, "up")
    assert [each.number for each in take.rounds] == [1, 2, 3]
    for name in ("up", "UP", "Up"):
        assert "100%, 100%, 100%" in syncbox("takes", show_folder, "--song", name).stdout


def test_a_host_that_is_killed_leaves_what_was_played_in_the_log(show_folder):
    terminal = Terminal(
        *("rehearse", show_folder, "--song", "quick-one", "--section", "verse"),
        *("--driver", "simulated", "--start", "--times", 50),
    )
    try:
        terminal.wait_for("■")
        terminal.press(b"n")
        terminal.wait_for("round 3 of 50, 100 %")
        terminal.process.send_signal(signal.SIGKILL)
        terminal.process.wait(PATIENCE_S)
    finally:
        terminal.close()
    (take,), unreadable = read_takes(show_folder, "quick-one")
    assert len(take.rounds) >= 2
    assert len(take.notes) == 1
    assert unreadable == 0


def test_takes_of_what_is_not_there_are_no_empty_list(show_folder, tmp_path):
    done = syncbox("takes", show_folder, "--song", "quick-on")
    assert done.returncode == 1
    assert "did you mean 'quick-one'" in done.stderr
    done = syncbox("takes", tmp_path / "nowhere", "--song", "quick-one")
    assert done.returncode == 2
    assert "no such folder" in done.stderr


@pytest.mark.jack
def test_a_recorder_that_dies_costs_the_log_nothing(show_folder, jack_server):
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "syncbox", "rehearse", str(show_folder), "--song", "quick-one"),
            *("--section", "verse", "--driver", "jack", "--device", jack_server),
            *("--start", "--once", "--plain", "--record", "syncbox*:out_1"),
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        while "Verse" not in process.stdout.readline():
            assert process.poll() is None
        listed = subprocess.run(
            ["pgrep", "-P", str(process.pid), "-f", "drivers.recorder"],
            capture_output=True,
            text=True,
            check=True,
        )
        os.kill(int(listed.stdout.split()[0]), signal.SIGKILL)
        out, errors = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
        process.wait()
    assert "the recording has broken off: the music goes on" in errors
    assert "the recording broke off" in errors
    assert "logged in" in out
    (log,) = (show_folder / "takes").glob("*.jsonl")
    take = json.loads(log.read_text().splitlines()[-1])
    assert take["rounds"][0]["first_frame"] > 0
    assert soundfile.info(show_folder / "takes" / take["recording"]).frames > 0


@pytest.mark.jack
def test_a_take_is_recorded_through_portaudio(show_folder, jack_server, monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", jack_server)
    done = syncbox(
        *("rehearse", show_folder, "--song", "quick-one", "--section", "verse"),
        *("--driver", "portaudio", "--device", "system", "--start", "--once", "--plain"),
        *("--record", "2", "--talk", "1"),
    )
    assert done.returncode == 0, done.stderr
    (log,) = (show_folder / "takes").glob("*.jsonl")
    take = json.loads(log.read_text().splitlines()[-1])
    assert take["rounds"][0]["first_frame"] > 0
    found = soundfile.info(show_folder / "takes" / take["recording"])
    assert (found.channels, found.samplerate) == (1, 48_000)
    assert found.frames > take["rounds"][0]["first_frame"]
    listed = syncbox("takes", show_folder, "--song", "quick-one").stdout
    assert f"first beat at {take['rounds'][0]['first_frame'] / 48_000:.3f} s" in listed


@pytest.mark.jack
def test_an_input_that_is_not_there_is_said_before_the_music(show_folder, jack_server, monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", jack_server)
    done = syncbox(
        *("rehearse", show_folder, "--song", "quick-one", "--start", "--once"),
        *("--driver", "portaudio", "--device", "system", "--record", "9"),
    )
    assert done.returncode == 2
    assert "system has no input 9" in done.stderr
    assert "its inputs are 1 to 2" in done.stderr
    assert "count-in" not in done.stdout
