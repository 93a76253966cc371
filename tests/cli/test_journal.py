from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from syncbox.cli import journal as module
from syncbox.cli.journal import last_place
from syncbox.cli.main import commands
from syncbox.drivers.journal import Journal, entry_of, journal_path, read_journal
from syncbox.drivers.processes import runtime_folder
from syncbox.drivers.runfile import Segments, engine_of

pytestmark = pytest.mark.wall_clock

SONG = """
syncbox: 1
title: Long Road
tempo: quarter = 240
count-in: 1 bar
sections:
  - {section: Verse, bars: 8}
  - {section: Chorus, bars: 200}
"""
RIG = """
syncbox: 1
mixes:
  all: {outputs: 1-2, levels: {click: 0 dB}, ceiling: -6 dB}
"""
SET = """
syncbox: 1
title: Tonight
songs: [long-road]
"""


@pytest.fixture
def show(tmp_path):
    (tmp_path / "long-road.yaml").write_text(SONG)
    (tmp_path / "rig.yaml").write_text(RIG)
    (tmp_path / "setlist.yaml").write_text(SET)
    return tmp_path


def noted(show, *entries):
    journal = Journal(journal_path(show))
    for what, facts in entries:
        journal.note(what, **facts)
    journal.close()


A_BAR = ("bar", {"song": "long-road", "section": "Chorus", "bar": 17})


def test_a_show_that_broke_off(show):
    noted(show, ("opened", {}), ("transport", {"state": 2}), A_BAR)
    place = last_place(show)
    assert place.broke_off
    assert (place.song, place.section, place.bar) == ("long-road", "Chorus", 17)
    assert "--resume" in module.hint_of_a_broken_show(show)
    assert "bar 17 (Chorus)" in module.hint_of_a_broken_show(show)


@pytest.mark.parametrize("end", [("closed", {}), ("transport", {"state": 0})])
def test_a_show_that_ended_in_order_is_not_offered(show, end):
    noted(show, ("opened", {}), A_BAR, end)
    assert not last_place(show).broke_off
    assert module.hint_of_a_broken_show(show) == ""


def test_when_the_night_began(show):
    clock_s = iter(range(1000, 2000, 10))
    journal = Journal(journal_path(show), now_s=lambda: next(clock_s))
    for what in ("opened", 2, "opened", 0):
        journal.note(what if isinstance(what, str) else "transport", state=what)
    journal.close()
    assert module.began_s_ago(show, 1100) is None
    journal = Journal(journal_path(show), now_s=lambda: next(clock_s))
    for what in (2, 0, 2, "taken over", 2):  # the first of these at 1040 s
        journal.note(what if isinstance(what, str) else "transport", state=what)
    journal.close()
    assert module.began_s_ago(show, 1100) == 60


def test_yesterdays_show_is_not_offered(show):
    noted(show, A_BAR)
    assert last_place(show, time.time() + module.FRESH_S + 60).ago_s > module.FRESH_S


def test_nothing_to_resume_is_one_message(show):
    shown = CliRunner().invoke(commands, ["run", str(show), "--resume", "--start"])
    assert "no journal" in str(shown.exception)


def test_resume_and_a_place_are_one_too_many(show):
    shown = CliRunner().invoke(commands, ["run", str(show), "--resume", "--song", "x", "--start"])
    assert shown.exit_code == 2


def engine_of_the_only_show():
    (file,) = runtime_folder().iterdir()
    return engine_of(Segments.of(entry_of(file.read_bytes())["token"]).deck)


@pytest.mark.skipif(sys.platform == "win32", reason="kills as only POSIX systems do")
def test_after_a_pulled_plug_the_show_goes_on_where_it_was(show, monkeypatch, tmp_path_factory):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("run")))
    command = [sys.executable, "-m", "syncbox", "run", str(show), "--driver", "simulated"]
    host = subprocess.Popen([*command, "--start"], stdout=subprocess.PIPE, text=True)
    try:
        deadline = time.monotonic() + 30
        while (place := last_place(show)) is None or place.bar < 2:
            assert time.monotonic() < deadline
            time.sleep(0.1)
    finally:
        engine = engine_of_the_only_show()
        for pid in (host.pid, engine):  # a power cut spares nobody
            os.kill(pid, signal.SIGKILL)
        host.communicate()
    path: Path = journal_path(show)
    path.write_bytes(path.read_bytes()[:-7])  # and torn in the middle of a write
    place = last_place(show)
    assert place.broke_off
    assert read_journal(path)[1] == 1
    again = subprocess.Popen([*command, "--start", "--resume"], stdout=subprocess.PIPE, text=True)
    try:
        assert again.stdout.readline() == f"Going on in {place.words}.\n" or place.bar
        deadline = time.monotonic() + 30
        while (later := last_place(show)).bar <= place.bar:
            assert time.monotonic() < deadline
            time.sleep(0.1)
    finally:
        again.send_signal(signal.SIGINT)
        again.communicate(timeout=20)
    bars = [entry["bar"] for entry in read_journal(path)[0] if entry["what"] == "bar"]
    opened = [e["what"] for e in read_journal(path)[0]]
    assert later.bar > place.bar
    assert place.bar in bars[bars.index(place.bar) :]
    assert opened.count("opened") == 2
    assert opened[-1] == "closed"
