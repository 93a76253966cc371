"""The stage page as a band meets it: a real show, a real browser, a server that gets killed."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import threading
from contextlib import contextmanager

import numpy as np
import pytest
from browsing import ON_ITS_SIDE, PATIENCE_S, Phone, chromium, until
from nights import RUN, night_in

from syncbox.cli.leaving import Leaving
from syncbox.cli.page import Page
from syncbox.cli.perform import Performance
from syncbox.cli.prepare import compiled, set_of_tonight
from syncbox.cli.view import Stage
from syncbox.drivers.choose import choose
from syncbox.drivers.processes import watch
from syncbox.engine.transport import State

pytestmark = [pytest.mark.wall_clock, pytest.mark.timeout(240)]

SONG = """
syncbox: 1
title: Paper Boats
tempo: quarter = 240
count-in: 1 bar
sections:
  - {section: Verse, bars: 2, patches: {organ: Soft}}
  - {section: Solo, bars: 1, vamp: yes}
  - {section: Chorus, bars: 400}
"""
RATE, CLOCKS_A_BAR = 48_000, 96
WRITTEN = 500.0  # frames from clock to clock: 48 000 x 60 / (240 x 24)


@pytest.fixture(scope="module")
def browser():
    with chromium() as found:
        yield found


@pytest.fixture
def phones(browser):
    """Opens pages, and closes them all."""
    opened = []

    def open_one(address, *size):
        opened.append(Phone(browser, address, *size))
        return opened[-1]

    yield open_one
    faults = [fault for phone in opened for fault in phone.faults]
    for phone in opened:
        phone.context.close()
    assert not faults


class Playing:
    """A show that plays in this process's threads, with its page; it keeps what was sent."""

    def __init__(self, performance, host):
        self.performance, self.host = performance, host
        self.sent, self.status, self.fault = [], None, None

    def __call__(self, status):
        self.status = status
        self.sent += self.performance._session.sent()

    @property
    def now(self):
        return self.status.now

    @property
    def address(self):
        return f"http://127.0.0.1:{self.host.job.port}/"

    def clocks(self):
        """Frames of all clocks from the song's first on."""
        started = next(event.frame for event in self.sent if event.why == "start")
        return [e.frame for e in self.sent if e.why == "clock" and e.frame >= started]


def on_grid(clocks, change=None, then=WRITTEN):
    """Which share of the clocks lies where it should, to a frame, if the tempo changes at one.

    A machine that stood still lets some come late; one that is lost or doubled moves all that
    follow. None may ever be early.
    """
    numbers = np.arange(len(clocks))
    after = 0 if change is None else np.maximum(0, numbers - change)
    off = np.array(clocks) - clocks[0] - WRITTEN * numbers - (then - WRITTEN) * after
    return float(np.mean(np.abs(off) <= 1)) if np.all(off > -1.01) else 0.0


@contextmanager
def playing(folder):
    (folder / "quick-one.yaml").write_text(SONG, "utf-8")
    show, _ = set_of_tonight(folder, "quick-one", alone=True)
    program = compiled(show, RATE)
    leave = Leaving()
    performance = Performance(
        Stage(show, program.songs, sources=program.sources), start=True, once=False, leave=leave
    )
    with Page(0) as page:
        host = page.open()
        found = Playing(page.attach(performance), host)
        performance.watch = found
        choice = choose("simulated", None, rate=RATE)

        def play():
            try:
                performance.live(program, choice, None, {"block_frames": 2048})
            except Exception as error:
                found.fault = error

        thread = threading.Thread(target=play)
        thread.start()
        try:
            until(lambda: found.status is not None or found.fault, "the first block")
            yield found
        finally:
            leave.asked_by = signal.SIGINT
            thread.join(PATIENCE_S)
        assert found.fault is None


def test_two_phones_see_where_the_music_is_and_one_gives_the_cue(show_folder, phones):
    with playing(show_folder) as show:
        one, other = phones(show.address), phones(show.address, ON_ITS_SIDE)
        for phone in (one, other):
            phone.wait("song", "Paper Boats")
            phone.wait("section", "Solo")
            phone.wait("state", "waits for the cue")
            phone.wait("to-go", "cue")
            phone.wait("next", "Chorus")
        assert "Space" not in one.page.inner_text("body")
        until(lambda: show.host.phones == 2, "both phones")
        one.enter(show.host.job.code)
        one.page.click("#press-cue")
        for phone in (one, other):
            phone.wait("section", "Chorus")
            phone.wait("bar-of", "of 400")
            bar = int(phone.text("bar"))
            phone.wait_until(f"Number(document.getElementById('bar').textContent) > {bar}")
            assert int(phone.text("to-go")) < 400
        assert one.page.is_disabled("#press-cue")  # nothing waits for it any more


def test_a_tempo_typed_on_the_page_counts_from_a_bar_line_and_the_clock_has_no_gap(
    show_folder, phones
):
    with playing(show_folder) as show:
        phone = phones(show.address)
        phone.wait("section", "Solo")
        phone.enter(show.host.job.code)
        phone.page.fill("#wanted", "-3 %")
        phone.page.click("#tempo-form button[type=submit]")
        phone.wait("trim", "tonight −3 %, written 240")
        phone.wait("tempo", "232.8")
        until(lambda: show.now.sounding_permille == -30, "the tempo")
        bar = show.now.round_no
        until(lambda: show.now.round_no > bar + 1, "another bar")
        clocks = show.clocks()
        changes = [on_grid(clocks, change, 500 / 0.97) for change in range(len(clocks))]
        best = int(np.argmax(changes))
        assert best % CLOCKS_A_BAR == 0
        assert changes[best] > max(0.5, sorted(changes)[-2])  # and at no other clock

        phone.page.fill("#wanted", "twice as fast")
        phone.page.click("#tempo-form button[type=submit]")
        phone.wait("desk-said", "faster (+) or slower (-)")
        phone.page.click("#as-written")
        phone.wait("tempo", "240")
        phone.wait_until("document.getElementById('trim').textContent === ''")
        assert show.now.trim_permille == 0


def test_only_who_knows_the_code_may_press_and_a_stop_is_asked_twice(show_folder, phones):
    with playing(show_folder) as show:
        phone = phones(show.address)
        phone.wait("section", "Solo")
        wrong = f"{(int(show.host.job.code) + 1) % 1_000_000:06d}"
        phone.enter(wrong)
        phone.wait("door-said", "That is not the code")
        assert phone.page.is_hidden("#desk")
        phone.page.fill("#code", show.host.job.code)
        phone.page.click("#door button[type=submit]")
        phone.page.click("#press-mute")
        until(lambda: show.now.click_muted, "the click is off")
        phone.wait("pending", "click off")
        phone.page.click("#press-stop")
        phone.wait("press-stop", "Sure?")
        bar = show.now.round_no
        until(lambda: show.now.round_no > bar + 1, "two more bars")
        assert show.now.transport == State.VAMPING  # one tap stops nothing
        until(lambda: "Sure" not in phone.text("press-stop"), "calm")
        phone.page.click("#press-stop")
        phone.page.click("#press-stop")
        until(lambda: show.now.transport == State.STOPPED, "the stop")
        phone.wait("state", "stopped")
        assert phone.page.is_disabled("#press-stop")


def test_the_page_dies_and_the_show_does_not_notice(show_folder, phones):
    with playing(show_folder) as show:
        phone = phones(show.address)
        phone.wait("section", "Solo")
        phone.enter(show.host.job.code)
        first = show.host._child.pid
        os.kill(first, signal.SIGKILL)
        until(lambda: show.host._child is not None and show.host._child.pid != first, "another")
        round_no = show.now.round_no
        phone.wait_until(
            "!document.body.classList.contains('old') &&"
            f"/round (\\d+)/.exec(document.getElementById('detail').textContent)[1] > {round_no}"
        )
        phone.page.click("#press-cue")  # it is inside again by itself
        phone.wait("section", "Chorus")
        assert on_grid(show.clocks()) > 0.5


# --- the host in a process of its own --------------------------------------------------------


@pytest.fixture
def night(show_folder, monkeypatch, tmp_path_factory):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("run")))
    with night_in(show_folder) as found:
        yield found


def said(process):
    """Address of this computer itself and the code, as `run` has said them."""
    lines = []
    while not lines or "the code is" not in lines[-1]:
        line = process.stdout.readline()
        assert line, lines
        lines.append(line)
    found = re.search(r"The page: http://\S+:(\d+)", "".join(lines))
    code = re.search(r"the code is (\d+ \d+)", lines[-1])
    return f"http://127.0.0.1:{found[1]}/", code[1]


@pytest.mark.skipif(sys.platform == "win32", reason="kills as only POSIX systems do")
def test_a_host_that_is_killed_takes_its_page_along_and_the_next_one_has_it_again(night, phones):
    first = night.run("--start", "--page", "0")
    address, code = said(first)
    phone = phones(address)
    phone.wait("section", "Chorus")
    phone.enter(code)
    night.killed(first)
    phone.wait("lost", "what is shown is old")
    phone.wait_until("document.body.classList.contains('old')")
    assert phone.page.is_disabled("#press-mute")
    bar = int(phone.text("bar"))
    again = night.run()  # it knows by itself that there was a page
    assert said(again) == (address, code)
    phone.wait_until(
        "!document.body.classList.contains('old') &&"
        f"Number(document.getElementById('bar').textContent) > {bar}"
    )
    phone.page.click("#press-mute")
    phone.wait("pending", "click off")
    night.left(again)
    phone.wait("lost", "what is shown is old")


def test_a_port_that_is_taken_is_said_with_what_to_do(show_folder):
    with socket.create_server(("", 0)) as taken:
        port = taken.getsockname()[1]
        done = subprocess.run(
            [*RUN, str(show_folder), "--driver", "simulated", "--start", "--page", str(port)],
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )
    assert done.returncode == 2
    assert f"port {port} is in use" in done.stderr
    assert f"--page {port + 1}" in done.stderr


def test_a_show_that_is_only_counted_through_has_no_page(show_folder):
    done = subprocess.run(
        [*RUN, str(show_folder), "--driver", "offline", "--page"],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 0
    assert done.stderr == "--page: left out, because nothing is shown while it only counts.\n"


def test_no_page_without_being_asked_and_none_is_left(night):
    process = night.run("--start", "--page", "0")
    address, _ = said(process)
    port = int(re.search(r":(\d+)/", address)[1])
    with socket.create_connection(("127.0.0.1", port), PATIENCE_S):
        pass
    night.left(process)

    def gone():
        try:
            socket.create_connection(("127.0.0.1", port), PATIENCE_S).close()
        except ConnectionRefusedError:
            return True
        return False

    until(gone, "the end of the page")
    assert watch(process.pid).alive is False
