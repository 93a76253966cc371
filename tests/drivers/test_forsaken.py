"""Hosts that are killed in mid-song: the engine plays on, and another host takes over."""

from __future__ import annotations

import os
import signal
import sys
import time

import pytest
from hosts import gone, host, left_of, lives, taken_over, wait_until_gone
from listening import wait_for
from stand_in import CLOCK_FRAMES, Press

from syncbox.drivers.forsaken import amend, find
from syncbox.drivers.hostside import NoPorts
from syncbox.drivers.processes import runtime_folder
from syncbox.drivers.runfile import RunFile
from syncbox.engine.records import Deck
from syncbox.engine.shared import Segment
from syncbox.engine.state import Now
from syncbox.engine.transport import State
from syncbox.engine.words import Word
from syncbox.errors import BusyError

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="kills as only POSIX systems do"),
    pytest.mark.timeout(120),
]


@pytest.fixture(autouse=True)
def own_runtime_folder(tmp_path_factory, monkeypatch):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("run")))


def run_files():
    return list(runtime_folder().iterdir())


def test_an_engine_plays_on_and_another_host_takes_it_over(tmp_path):
    with host(tmp_path) as first:
        first.kill()
        with taken_over(tmp_path) as session:
            before = session.status()
            assert session._engine.pid == first.engine
            assert before.now.transport == 1
            session.sent()
            wait_for(lambda: session.status().blocks > before.blocks + 100)
            events = session.sent()
            after = session.status()
            session.press(Press.SYSEX)
            wait_for(lambda: any(event.why == "sysex" for event in session.sent()))
        assert session.status().finished
    assert not after.trouble
    clocks = [event.frame for event in events if event.why == "clock"]
    whole = list(range(clocks[0], clocks[-1] + 1, CLOCK_FRAMES))
    # Dropouts lose events on a loaded machine; they never move or double one.
    assert clocks == whole or after.dropouts > before.dropouts
    assert clocks == sorted(set(clocks) & set(whole))
    assert gone(first)
    assert run_files() == []


def test_it_is_killed_again_and_again(tmp_path):
    with host(tmp_path) as first:
        first.kill()
        for _ in range(2):
            with host(tmp_path, take_over=True) as later:
                assert later.engine == first.engine
                later.kill()
                assert lives(first.engine)
        with taken_over(tmp_path) as session:
            assert session.status().now.transport == 1
    assert gone(first)


def test_the_new_host_replaces_the_engine_if_it_dies_later(tmp_path):
    real = {
        "program": "hosts.real_program()",
        "options": "{}",
        "then": "session.press(hosts.Command.START)",
    }
    with host(tmp_path, **real) as first:
        first.kill()
        with taken_over(tmp_path) as session:
            wait_for(lambda: session.status().now.bar >= 2)
            os.kill(first.engine, signal.SIGKILL)
            wait_for(lambda: session.status().rescuing)
            wait_for(lambda: session.status().engine_alive)
            here = session.status()
            wait_for(lambda: session.status().blocks > here.blocks + 100)
            again = session._engine.pid
            assert session.status().now.transport == State.ROLLING
        assert session.status().finished
    assert gone(first)
    assert not lives(again)


def test_a_host_that_was_stopped_and_has_gone_on_is_still_the_host(tmp_path):
    with host(tmp_path) as first:
        os.kill(first.process.pid, signal.SIGSTOP)
        with pytest.raises(BusyError, match=str(first.process.pid)):
            RunFile.claim(tmp_path)
        os.kill(first.process.pid, signal.SIGCONT)
        with pytest.raises(BusyError):
            RunFile.claim(tmp_path)
        first.kill()
        run_file = RunFile.claim(tmp_path)
        assert find(run_file) is not None
        with pytest.raises(BusyError):  # of two that come at once one gets it
            RunFile.claim(tmp_path)
        run_file.close()


def test_host_and_engine_killed_leave_nothing_at_the_next_start(tmp_path):
    with host(tmp_path / "one") as one, host(tmp_path / "two") as two:
        for each in (one, two):
            each.kill()
            each.kill_engine()
        assert left_of(one.deck)
        run_file = RunFile.claim(tmp_path / "one")  # clears away what is left of others, too
        assert not left_of(two.deck)
        assert find(run_file) is None
        assert not left_of(one.deck)
        run_file.close()
    assert run_files() == []


def test_a_forsaken_engine_that_plays_nothing_leaves_by_itself(tmp_path):
    with host(tmp_path, stay={"idle_s": 1.0}, then="") as first:
        first.kill()
        wait_until_gone(first)
    run_file = RunFile.claim(tmp_path)
    assert find(run_file) is None
    run_file.close()
    assert run_files() == []


def test_one_that_plays_stays(tmp_path):
    with host(tmp_path, stay={"idle_s": 0.3}) as first:
        first.kill()
        time.sleep(2)
        assert lives(first.engine)


def test_a_forsaken_engine_leaves_when_it_is_asked_politely(tmp_path):
    with host(tmp_path) as first:
        first.kill()
        wait_for(lambda: find_again(tmp_path))
        os.kill(first.engine, signal.SIGTERM)
        wait_until_gone(first)


def find_again(show):
    run_file = RunFile.claim(show)
    found = find(run_file)
    run_file.close()
    return found is not None


def test_without_room_for_the_run_file_it_ends_with_its_host(tmp_path):
    broken = "RunFile.note = lambda *_: (_ for _ in ()).throw(OSError(28, 'No space left'))"
    with host(tmp_path, before=broken) as first:
        assert "No space left" in first.note
        first.kill()
        wait_until_gone(first)


def test_papers_of_another_version_are_not_read(tmp_path, monkeypatch):
    with host(tmp_path) as first:
        first.kill()
        monkeypatch.setattr("syncbox.drivers.runfile.__version__", "9.9.9")
        run_file = RunFile.claim(tmp_path)
        assert find(run_file) is None
        run_file.close()
        wait_until_gone(first)


@pytest.mark.parametrize("damage", [b"", b"nonsense\n", b"0" * 9000])
def test_a_run_file_that_says_nothing_is_no_hindrance(tmp_path, damage):
    with host(tmp_path) as first:
        first.kill()
        (file,) = run_files()
        file.write_bytes(damage)
        run_file = RunFile.claim(tmp_path)
        assert find(run_file) is None
        run_file.close()
        assert run_files() == []


def test_a_host_that_cannot_take_over_leaves_the_engine_playing(tmp_path, monkeypatch):
    with host(tmp_path) as first:
        first.kill()
        with monkeypatch.context() as patch:
            patch.setattr(NoPorts, "engine_is_adopted", no_luck)
            with pytest.raises(ZeroDivisionError), taken_over(tmp_path):
                pass
        assert lives(first.engine)
        with taken_over(tmp_path) as session:
            assert session.status().now.transport == 1
    assert gone(first)


def no_luck(self, client):
    raise ZeroDivisionError


def test_a_host_killed_while_it_starts_leaves_nothing_that_hinders(tmp_path):
    # The engine is on its way, and nobody has heard yet that it is ready.
    early = "import syncbox.drivers.child as child; child.Child.answer = die"
    define = "def die(self, **_): print(self.pid, 'x', flush=True); import time; time.sleep(300)"
    with host(tmp_path, before=f"{define}\n{early}") as first:
        first.kill()
        with taken_over(tmp_path) as session:
            assert session._engine.pid == first.engine
            assert session.status().now.transport == 0
            session.press(Press.START)
            wait_for(lambda: session.status().now.transport == 1)
    assert not lives(first.engine)
    assert run_files() == []


def test_what_waits_for_the_engine_is_done_by_the_next_host(tmp_path):
    real = {"program": "hosts.real_program()", "options": "{}"}
    with host(tmp_path, then="session.press(hosts.Command.START)", **real) as first:
        first.kill()
        deck = Deck.attach(first.deck, Now)
        deck.words[Word.OWED] = 1  # it was killed before the engine was told of a port
        done = deck.read()[0].commands_done
        with taken_over(tmp_path) as session:
            wait_for(lambda: deck.read()[0].commands_done == done + 1)
            wait_for(lambda: deck.words[Word.OWED] == 0)
            assert session._returns.owed == 0
        deck.close()


def test_what_a_later_host_changed_in_the_papers_counts_unless_it_is_torn(tmp_path):
    with host(tmp_path) as first:
        first.kill()
        run_file = RunFile.claim(tmp_path)
        found = find(run_file)
        amend(found.segments, "another")
        amend(found.segments, "the last")
        assert find(run_file).papers.show == "the last"
        torn = Segment.attach(found.segments.amended)
        with torn.view(0, torn.size) as view:
            view[:] = bytes(torn.size)
        torn.close()
        assert find(run_file).papers.show == found.papers.show
        run_file.close()
        with taken_over(tmp_path) as session:
            assert session.status().now.transport == 1
    assert gone(first)
    assert left_of(first.deck) == []
