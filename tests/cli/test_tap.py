"""`tap` as a script meets it; as a person, through a terminal of its own."""

import json
import os
import pty
import re
import subprocess
import sys
import threading
import time
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from syncbox.cli.keys import Key
from syncbox.cli.playback import playing
from syncbox.cli.tapping import Tapping
from syncbox.drivers.choose import choose
from syncbox.drivers.ear import listening
from syncbox.engine.transport import Command
from syncbox.lab.hands import Hands

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


@pytest.mark.wall_clock
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


RATE = 48_000
STROKE, LET_GO = b"\x99\x26\x50", b"\x89\x26\x00"


def strokes(count, gap_s):
    """Strokes of a pad: the first at once, each let go after 50 ms."""
    let_go = round(0.05 * RATE)
    gap = round(gap_s * RATE) - let_go
    first, *later = [((gap, 0, STROKE), (let_go, 0, LET_GO)) for _ in range(count)]
    return [(0, 0, STROKE), first[1], *(each for pair in later for each in pair)]


@pytest.mark.jack
def test_a_pad_taps_along_with_a_recording(tmp_path, jack_server):
    soundfile.write(tmp_path / "band.wav", np.zeros((20 * RATE, 2)), RATE)
    show = tmp_path / "show"
    show.mkdir()
    arguments = [str(show), "by-pad", "--sections", "Intro 4", "--with", str(tmp_path / "band.wav")]
    arguments += ["--midi", "--driver", "jack", "--device", jack_server]
    with Hands(jack_server, ("pads",)) as hands:
        process = subprocess.Popen(
            [*TAP, *arguments], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True
        )
        try:
            while "Tap 16 beats with a pad" not in process.stdout.readline():
                assert process.poll() is None
            time.sleep(2.0)
            hands.play(strokes(16, 0.4))
            rest = process.communicate(timeout=60)[0]
        finally:
            process.kill()
            process.wait()
    # A busy computer may lose a stroke or hold it up; the line through the others is right.
    assert rest.count("beat") > 10
    tempo = float(re.search(r"(\S+) quarters a minute", rest)[1])
    assert tempo == pytest.approx(150, abs=1)
    bar_one_s = float(re.search(r"bar 1 is about (\S+) s into band.wav", rest)[1])
    assert 0.5 < bar_one_s < 8


@pytest.mark.jack
def test_taps_are_placed_in_the_recording(tmp_path, jack_server):
    """JACK counts frames for the one who taps and for the engine alike."""
    soundfile.write(tmp_path / "band.wav", np.zeros(12 * RATE), RATE)
    choice = choose("jack", jack_server)
    with (
        Hands(jack_server, ("pads",)) as hands,
        playing(tmp_path / "band.wav", choice) as playback,
        listening(jack_server) as ear,
    ):
        tapping = Tapping(None, ear, playback)
        played = []

        def play():
            time.sleep(1.5)
            played.extend(hands.play(strokes(10, 0.3))[::2])

        player = threading.Thread(target=play)
        player.start()
        list(tapping.taps(10))
        player.join()
        zero = playback._session.status().audio_frame_zero + playback._first_frame
    struck_s = (np.array(played) - zero) / RATE
    late_s = [at - struck_s[np.abs(struck_s - at).argmin()] for at in tapping.seconds]
    assert len(late_s) > 5
    assert abs(np.median(late_s)) < 0.02, late_s


def test_the_taps_are_over_when_the_recording_is(tmp_path, monkeypatch):
    soundfile.write(tmp_path / "band.wav", np.zeros(RATE), RATE)
    with playing(tmp_path / "band.wav", choose("simulated")) as playback:
        tapping = Tapping(None, SimpleNamespace(next=lambda _: None), playback)
        assert list(tapping.taps(99)) == []


def test_keys_that_turn_the_level_are_no_taps():
    turned = []
    playback = SimpleNamespace(
        start=lambda: None, turn=turned.append, over=False, seconds_at=lambda ns: ns / 1e9
    )
    pressed = iter([[Key.UP, Key.SPACE], [Key.DOWN], [Key.SPACE, Key.ENTER], [Key.SPACE]])
    keyboard = SimpleNamespace(read=lambda: next(pressed))
    assert len(list(Tapping(keyboard, None, playback).taps(99))) == 2
    assert turned == [Command.LOUDER, Command.SOFTER]


def test_a_recording_that_is_none_is_said(tmp_path):
    (tmp_path / "band.wav").write_text("no sound")
    done = tap(
        *(tmp_path, "new", "--sections", "Intro 4", "--midi", "--driver", "simulated"),
        *("--with", tmp_path / "band.wav"),
    )
    assert done.returncode in (1, 2)
    assert "band.wav" in done.stderr
    assert "Traceback" not in done.stderr
