"""`run` as a script and as a person meet it, on the simulated driver."""

import os
import pty
import re
import select
import signal
import subprocess
import sys
import time

import pytest

pytestmark = pytest.mark.wall_clock

RUN = [sys.executable, "-m", "syncbox", "run"]
PATIENCE_S = 60  # for a busy machine; nothing here is a claim about speed


def run(*arguments, **options):
    return subprocess.run(
        [*RUN, *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
        stdin=subprocess.DEVNULL,
        **options,
    )


def test_a_script_plays_the_set_through_and_says_what_happened(show_folder):
    done = run(show_folder, "--driver", "simulated", "--start", "--once")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    heard = [re.split(r"\s{3,}", line.strip())[1:3] for line in lines if "   " in line]
    assert [name for name in heard if name[0] in ("Quick One", "Slow One")] == [
        ["Quick One", "count-in"],
        ["Quick One", "Verse"],
        ["Quick One", "Verse"],
        ["Quick One", "Solo"],
        ["Quick One", "End"],
        ["Slow One", "Only"],
    ]
    assert re.search(r"^dropouts: \d+ ", done.stdout, re.M)
    assert re.search(r"^MIDI messages sent: keys \d+$", done.stdout, re.M)
    assert done.stderr == ""


def test_one_song_from_a_section_with_cues(show_folder):
    done = run(
        *(show_folder, "--song", "quick-one", "--from", "Solo", "--cues", "1"),
        *("--driver", "simulated", "--start", "--once"),
    )
    assert done.returncode == 0, done.stderr
    assert "Slow One" not in done.stdout
    assert "Verse" not in done.stdout
    assert "Solo" in done.stdout
    assert "End" in done.stdout


def test_offline_counts_the_set_through_without_waiting(show_folder):
    done = run(show_folder, "--driver", "offline")
    assert done.returncode == 0, done.stderr
    heard = [re.split(r"\s{3,}", line.strip()) for line in done.stdout.splitlines()]
    # 240 quarters a minute: four beats are a second; start is heard 50 ms after it is pressed.
    assert [(line[1], line[2]) for line in heard if len(line) > 3] == [
        ("Quick One", "count-in"),
        ("Quick One", "Verse"),
        ("Quick One", "Verse"),
        ("Quick One", "Solo"),
        ("Quick One", "End"),
        ("Slow One", "Only"),
    ]
    assert re.search(r"^MIDI messages: keys \d+$", done.stdout, re.M)
    again = run(show_folder, "--driver", "offline")
    assert again.stdout == done.stdout


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ((), 2, "add --start"),
        (("--start", "--song", "nothing"), 1, "no song 'nothing'"),
        (("--start", "--driver", "simulated", "--from", "Bridge"), 1, "no section or bar 'Bridge'"),
        (("--start", "--cues", "now"), 2, "rounds of a vamp"),
        (("--start", "--driver", "magic"), 2, "magic"),
        (("--start", "--block", "7"), 2, "--block"),
    ],
)
def test_a_mistake_is_one_message_and_an_exit_code(show_folder, arguments, code, words):
    done = run(show_folder, *arguments)
    assert done.returncode == code
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_a_folder_that_is_not_there(tmp_path):
    done = run(tmp_path / "nothing", "--start")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_every_signal_leaves_in_good_order(show_folder, number):
    command = [*RUN, str(show_folder), "--driver", "simulated", "--start"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as playing:
        for line in playing.stdout:
            if "Verse" in line:
                break
        playing.send_signal(number)
        out, err = playing.communicate(timeout=PATIENCE_S)
    assert playing.returncode == 128 + number
    assert "MIDI messages sent: keys" in out
    assert err == ""


class Terminal:
    """The program on a terminal of its own, 80 by 24."""

    def __init__(self, arguments):
        self._master, slave = pty.openpty()
        environment = os.environ | {"TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"}
        self.process = subprocess.Popen(
            [*RUN, *map(str, arguments)],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=environment,
            start_new_session=True,
        )
        os.close(slave)
        self.written = ""

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.process.poll() is None:  # a test failed half way
            self.process.kill()
            self.process.wait()
        os.close(self._master)

    def wait_for(self, words):
        """Read until the words have been written since the last wait."""
        until = time.monotonic() + PATIENCE_S
        while words not in self.written:
            assert time.monotonic() < until, f"no {words!r} in {self.written[-3000:]!r}"
            if not self._read():
                raise AssertionError(f"it ended without {words!r}: {self.written[-3000:]!r}")
        self.written = self.written.split(words, 1)[1]

    def _read(self):
        if select.select([self._master], [], [], 0.1)[0]:
            try:
                data = os.read(self._master, 65536)
            except OSError:  # Linux says so when the other side has closed
                return False
            self.written += data.decode("utf-8", "replace")
            return bool(data)
        return True

    def type(self, text):
        os.write(self._master, text.encode())

    def end(self):
        while self._read():
            pass
        return self.process.wait(PATIENCE_S)


def test_a_musician_plays_a_song_with_the_keys(show_folder):
    with Terminal([show_folder, "--driver", "simulated", "--song", "quick-one"]) as terminal:
        terminal.wait_for("STOPPED: SPACE STARTS")
        terminal.type("\x1b[A")  # Up
        terminal.wait_for("-10 dB")
        terminal.type(" ")
        terminal.wait_for("VAMP: SPACE GOES ON")
        terminal.wait_for("round 3")  # it goes round until the cue comes, however often is usual
        terminal.type("q")
        terminal.wait_for("press Q again to leave")
        terminal.type(" ")
        terminal.wait_for("VAMP: OUT AFTER THIS ROUND")
        terminal.wait_for("NEXT SONG: SPACE STARTS")
        terminal.type("q")
        assert terminal.end() == 0
        assert "MIDI messages sent: keys" in terminal.written
        assert "\x1b[?1049l" in terminal.written, "the terminal's own page is back"
        assert "\x1b[?25h" in terminal.written, "the cursor is back"
