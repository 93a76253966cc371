"""`learn --page`: a pedal on a real JACK server, a real browser, a line in the rig."""

import re
import signal
import subprocess
import sys

import pytest
from browsing import PATIENCE_S, Phone, chromium, until

from syncbox.lab.hands import Hands

PRESS, LET_GO = b"\xb0\x40\x7f", b"\xb0\x40\x00"
LEARN = [sys.executable, "-m", "syncbox", "learn"]


@pytest.mark.jack
@pytest.mark.timeout(240)
def test_a_pedal_is_learned_on_the_page(jack_server, show_folder):
    rig = show_folder / "rig.yaml"
    before = rig.read_text("utf-8")
    with (
        Hands(jack_server, ("foot",)) as hands,
        chromium() as browser,
        subprocess.Popen(
            [*LEARN, str(show_folder), "--page", "0", "--device", jack_server],
            stdout=subprocess.PIPE,
            text=True,
        ) as process,
    ):
        try:
            said = ""
            while "Ctrl-C leaves" not in said:
                said += process.stdout.readline()
                assert process.poll() is None, said
            assert "syncbox-hands:foot" in said
            port = re.search(r"The page: http://\S+:(\d+)", said)[1]
            code = re.search(r"the code is (\d+ \d+)", said)[1]
            phone = Phone(browser, f"http://127.0.0.1:{port}/")
            phone.wait("inputs", "syncbox-hands:foot")
            assert phone.page.is_visible("#none")

            def press():
                hands.play([(0, 0, PRESS), (4800, 0, LET_GO)])
                return phone.page.is_visible("#keep")

            phone.page.select_option("#does", "jump at end")
            phone.page.select_option("#section", "Solo")
            phone.page.click("#begin")  # the code is asked for, and then it listens at once
            phone.page.fill("#code", code)
            phone.page.click("#door button[type=submit]")
            phone.wait("listen-wanted", "jump at end, Solo")
            until(press, "the press")
            phone.wait("heard", "controller 64 channel 1 from syncbox-hands:foot")
            assert rig.read_text("utf-8") == before
            phone.page.click("#keep [data-press=keep]")
            phone.wait("rows", "jump at end: Solo")
            text = rig.read_text("utf-8")
            assert text.startswith(before)
            assert "does: jump at end" in text

            phone.page.select_option("#does", "cue")
            phone.page.click("#begin")
            phone.wait("listen-wanted", "cue")

            def press_again():
                hands.play([(0, 0, PRESS), (4800, 0, LET_GO)])
                return "already" in phone.text("said")

            until(press_again, "the refusal")
            assert rig.read_text("utf-8") == text
            assert not phone.faults
        finally:
            process.send_signal(signal.SIGINT)
            assert process.wait(PATIENCE_S) == 128 + signal.SIGINT


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("cue", "--page"), "chosen on the page"),
        ((), "say what the press shall do"),
        (("--page", "eighty"), "write --page last"),
        (("--page", "70000"), "is not a port"),
    ],
)
def test_mistakes_are_said(show_folder, arguments, words):
    done = subprocess.run(
        [*LEARN, str(show_folder), *arguments],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 2
    assert words in done.stderr
