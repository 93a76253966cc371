"""Hosts in processes of their own, to be killed: `start` plays the stand-in engine's show."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from pathlib import Path

from building import RIG, program_of, section, song
from listening import wait_for

from syncbox.drivers.forsaken import find
from syncbox.drivers.processes import watch
from syncbox.drivers.runfile import RunFile
from syncbox.drivers.session import adopt_session
from syncbox.engine.shared import remove_segment
from syncbox.engine.transport import Command
from syncbox.score.song import Click, ClickBeats

HOST = """
import sys, time
sys.path[:0] = [{here!r}, {above!r}]
from pathlib import Path
import hosts, stand_in
from syncbox.drivers.forsaken import Stay, find
from syncbox.drivers.runfile import RunFile
from syncbox.drivers.session import adopt_session, open_session
{before}
run_file = RunFile.claim(Path({show!r}))
stay = Stay(run_file, {show!r}, **{stay!r})
if {take_over}:
    session = adopt_session(find(run_file))
else:
    session = open_session({program}, {driver!r}, device={device!r}, stay=stay, **{options})
    {then}
print(session._engine.pid, session._deck.name, stay.note, flush=True)
time.sleep(300)
"""
STAND_IN = "stand_in.program('listener:in_*')"
START = "session.press(stand_in.Press.START)"


__all__ = ["Command"]  # for hosts, too


def real_program(rig=RIG):
    """Two sections with a click every 12 000 frames."""
    sections = section("A", 4), section("B", 90)
    return program_of(song(*sections, tempo=240, click=Click(ClickBeats.BEATS)), rig=rig)


class Host:
    """A host process and the engine that it has."""

    def __init__(self, show, driver="simulated", device=None, **changes):
        wanted = {"program": STAND_IN, "options": "{'kind': stand_in.KIND}", "then": START}
        here = Path(__file__).parent
        code = HOST.format(
            **{"here": str(here), "above": str(here.parent), "show": str(show), "stay": {}}
            | {"driver": driver, "device": device, "take_over": False, "before": ""}
            | wanted
            | changes
        )
        self.process = subprocess.Popen(
            [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True
        )
        pid, self.deck, *note = self.process.stdout.readline().split(maxsplit=2)
        self.engine, self.note = int(pid), " ".join(note).strip()

    def kill(self):
        self.process.kill()
        self.process.wait(timeout=30)
        self.process.stdout.close()

    def kill_engine(self):
        engine = watch(self.engine)
        engine.kill()
        wait_for(lambda: not engine.alive)
        engine.close()


@contextlib.contextmanager
def host(show, *arguments, **changes):
    """A host that is dead at the end, and its engine too if it was the first one."""
    started = Host(show, *arguments, **changes)
    try:
        yield started
    finally:
        started.kill()
        if not changes.get("take_over"):
            started.kill_engine()
            for name in left_of(started.deck):
                remove_segment(name)


@contextlib.contextmanager
def taken_over(show):
    """A session in this process that takes over what plays on in a show folder."""
    run_file = RunFile.claim(show)
    try:
        found = find(run_file)
        assert found is not None, "nothing plays on there"
        with adopt_session(found) as session:
            yield session
    finally:
        run_file.close()


def lives(pid):
    process = watch(pid)
    alive = process.alive
    process.close()
    return alive


def left_of(deck_name):
    """What is there still of a show in shared memory."""
    folder, token = Path("/dev/shm"), deck_name.removesuffix("-d")
    return sorted(path.name for path in folder.glob(f"{token}*")) if folder.exists() else []


def gone(started):
    """Engine and memory are."""
    return not lives(started.engine) and not left_of(started.deck)


def wait_until_gone(started):
    wait_for(lambda: gone(started))
