"""Helpers of the driver tests: an independent listener, and patience."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest


class Capture:
    def __init__(self, server, midi_ports, sources):
        script = Path(__file__).parent / "jack_capture.py"
        command = [sys.executable, str(script), server, "listener", str(midi_ports), *sources]
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout.readline() == "ready\n"

    def tell(self, line):
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def heard(self):
        self.tell("say")
        return json.loads(self.process.stdout.readline())

    def messages(self, port=0):
        return [data for index, _, data in self.heard()["midi"] if index == port]


@contextmanager
def capture(server, *, midi_ports=1, sources=()):
    listener = Capture(server, midi_ports, sources)
    try:
        yield listener
    finally:
        listener.process.communicate(timeout=10)


def wait_for(condition, *, patience_s=20.0):
    deadline = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < deadline, "it never happened"
        time.sleep(0.05)


def connected(session, port=0):
    return not session.status().ports[port].missing


def until_heard(scenario, *, attempts=4):
    """What a scenario gives, tried again while a busy machine drops the blocks that matter.

    The scenario gives None when what it wants to hear has been lost, and only then: where
    neither the engine nor the listener dropped a block, the test must judge what came.
    """
    for _ in range(attempts):
        found = scenario()
        if found is not None:
            return found
    pytest.skip(f"the machine dropped blocks in every one of {attempts} attempts")
