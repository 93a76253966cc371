from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import stand_in
from listening import wait_for
from stand_in import CLOCK_FRAMES, KIND, LONG_SYSEX, Press

from syncbox.drivers.choose import choose
from syncbox.drivers.session import open_session
from syncbox.errors import DeviceError, EngineError


def simulated(**options):
    return open_session(stand_in.program(), "simulated", kind=KIND, **options)


def collect(session, count):
    events = []

    def enough():
        events.extend(session.sent())
        return len(events) >= count

    wait_for(enough)
    return events


def shared_segments():
    folder = Path("/dev/shm")
    ours = f"syncbox-{os.getpid()}-*"
    return {path.name for path in folder.glob(ours)} if folder.exists() else set()


def test_a_session_plays_and_leaves_nothing_behind():
    with simulated() as session:
        session.press(Press.START)
        session.press(Press.SYSEX)
        events = collect(session, 40)
        status = session.status()
        pid = session._engine.pid
    assert [event.data for event in events[:2]] == [b"\xfa", LONG_SYSEX]
    clocks = [event.frame for event in events if event.why == "clock"]
    assert all(frame % CLOCK_FRAMES == 0 for frame in clocks)
    assert status.engine_alive
    assert status.now.transport == 1
    assert status.now.level_db == -12.0
    assert status.blocks > 0
    assert status.callback.max_us >= status.callback.p99_us - 1
    assert status.midi_sent[0] >= len(events)
    assert status.ports[0].recorded_only
    assert not status.ports[0].missing
    last = session.status()
    assert last.finished
    assert not last.engine_alive
    assert session.sent()[-1].data == b"\xfc"
    assert shared_segments() == set()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_closing_twice_and_pressing_after_it():
    session = simulated()
    session.close()
    session.close()
    with pytest.raises(EngineError):
        session.press(Press.START)


def test_a_killed_engine_is_noticed_and_closing_is_still_safe():
    session = simulated()
    os.kill(session._engine.pid, signal.SIGKILL)
    wait_for(lambda: session.status().trouble)
    status = session.status()
    assert "died" in status.trouble
    assert not status.engine_alive
    with pytest.raises(EngineError, match="died"):
        session.press(Press.START)
    session.close()
    assert shared_segments() == set()


def test_an_engine_that_fails_says_so_and_plays_no_more():
    with simulated() as session:
        session.press(Press.BREAK)
        wait_for(lambda: session.status().trouble)
        assert "failed" in session.status().trouble


def test_a_wrong_rate_is_refused_before_anything_starts():
    choice = choose("simulated", rate=44_100)
    with pytest.raises(DeviceError, match=r"44100 Hz.*48000 Hz"):
        open_session(stand_in.program(), choice, kind=KIND)


def test_an_engine_that_cannot_be_made_is_one_message():
    with pytest.raises(DeviceError, match="no engine today"):
        open_session(stand_in.program(), "simulated", kind=stand_in.BROKEN_KIND)
    assert shared_segments() == set()


HOST = """
import sys, time
sys.path[:0] = [{here!r}]
import stand_in
from syncbox.drivers.session import open_session
session = open_session(stand_in.program(), "simulated", kind=stand_in.KIND)
session.press(stand_in.Press.START)
try:
    print(session._engine.pid, session._deck.name, flush=True)
    time.sleep(60)
except KeyboardInterrupt:
    session.close()
    print(session.sent()[-1].data.hex(), session.status().finished, flush=True)
"""


def start_host():
    code = HOST.format(here=str(Path(__file__).parent))
    host = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert host.stdout
    pid, name = host.stdout.readline().split()
    return host, int(pid), name


def gone(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return Path(f"/proc/{pid}/stat").read_text().split(")")[1].split()[0] == "Z"


def test_ctrl_c_in_the_host_stops_the_music_first():
    host, pid, _ = start_host()
    host.send_signal(signal.SIGINT)
    out, err = host.communicate(timeout=30)
    assert out == "fc True\n"
    assert err == ""
    assert gone(pid)


def test_an_impatient_hand_on_ctrl_c_leaves_nothing_behind():
    host, pid, name = start_host()
    while host.poll() is None:
        host.send_signal(signal.SIGINT)
        time.sleep(0.02)
    host.communicate(timeout=30)
    wait_for(lambda: gone(pid))
    assert not Path("/dev/shm", name).exists()


def test_an_engine_leaves_when_its_host_is_killed():
    host, pid, name = start_host()
    host.kill()
    host.communicate(timeout=30)
    wait_for(lambda: gone(pid))
    wait_for(lambda: not Path("/dev/shm", name).exists())
