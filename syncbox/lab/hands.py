"""Hands and feet for measuring: a JACK client of its own that plays at frames it writes down.

The host hands over lists of messages with the frames between them; the callback sends
each at its frame and notes JACK's number of that frame, which every other client
sees too, so no clock has to be compared with another.
"""

from __future__ import annotations

import json
import os
import pickle
import signal
import sys
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from syncbox.drivers import system
from syncbox.drivers.child import Child
from syncbox.engine.leaving import told_to_leave
from syncbox.engine.process import answer
from syncbox.errors import DeviceError
from syncbox.units import NS_PER_SECOND

CLIENT_NAME = "syncbox-hands"
_READY_S, _ANSWER_S = 30.0, 60.0
_LEAD_BLOCKS = 4
_MASK = 0xFFFF_FFFF

Stroke = tuple[int, int, bytes]  # frames after the stroke before, port, message


@dataclass(frozen=True, slots=True)
class HandsJob:
    """What the process is told: the server, and the names of its ports."""

    server: str
    ports: tuple[str, ...]


class Hands:
    """The host's end. Close it, or use it as a context manager."""

    def __init__(self, server: str, ports: Sequence[str]) -> None:
        """Start it. Raises DeviceError where the server does not answer."""
        self.gaps = 0  # blocks that were lost in the last play: a busy machine came too late
        self._child = Child("hands", __name__, HandsJob(server, tuple(ports)))
        try:
            self._child.answer(patience_s=_READY_S)
        except BaseException:
            self.close()
            raise

    def play(self, strokes: Sequence[Stroke], *, at_ns: int = 0) -> list[int]:
        """Play them, wait, and give JACK's frame number of each.

        With `at_ns` they begin at that host time, as near as the callback knows it.
        """
        wanted = [[frames, port, data.hex()] for frames, port, data in strokes]
        self._child.tell(json.dumps({"play": wanted, "at_ns": at_ns}).encode() + b"\n")
        answered = self._child.answer(patience_s=_ANSWER_S)
        self.gaps = answered["gaps"]
        frames: list[int] = answered["sent"]
        return frames

    def unplug(self, port: int) -> None:
        """Take a port away, as when its cable is pulled."""
        self._child.tell(json.dumps({"unplug": port}).encode() + b"\n")
        self._child.answer(patience_s=_ANSWER_S)

    def close(self) -> None:
        """End the process. Safe to repeat."""
        self._child.leave(patience_s=1.0)
        self._child.close()

    def __enter__(self) -> Hands:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class _Player:
    """The client and its callback."""

    def __init__(self, job: HandsJob) -> None:
        import jack

        try:
            self._client = jack.Client(CLIENT_NAME, no_start_server=True, servername=job.server)
        except jack.JackOpenError:
            raise DeviceError(f"the JACK server {job.server} does not answer") from None
        self._ports: dict[int, Any] = {
            number: self._client.midi_outports.register(name)
            for number, name in enumerate(job.ports)
        }
        self._waiting: deque[tuple[int, int, bytes]] = deque()  # frame time, port, message
        self._handed: deque[tuple[int, list[tuple[int, int, bytes]]]] = deque()
        self.sent: list[int] = []
        self.gaps = 0  # blocks that the last play came too late for: what lay there was lost
        self.done = threading.Event()
        self._priority_asked = False
        self._first = -1  # of the last block
        self._gaps = 0
        self._client.set_process_callback(self._process)
        self._client.activate()

    def _process(self, count: int) -> None:
        first = self._client.last_frame_time
        if first == self._first:
            return  # woken twice in one cycle, after being late: its messages lie there
        if self._first >= 0 and first != (self._first + count) & _MASK:
            self._gaps += 1
        self._first = first
        if not self._priority_asked:  # a client that is late holds up the whole server
            self._priority_asked = True
            if not self._client.realtime:
                system.ask_for_priority(system.ENGINE_PRIORITY)
        for port in self._ports.values():
            port.clear_buffer()
        if self._handed:
            self._take_up(first, count)
        while self._waiting and self._waiting[0][0] < first + count:
            due, number, data = self._waiting.popleft()
            offset = max(0, due - first)
            self._ports[number].write_midi_event(offset, data)
            self.sent.append((first + offset) & _MASK)
            if not self._waiting:
                self.done.set()

    def _take_up(self, first: int, count: int) -> None:
        """What was handed over begins in some blocks, or at the time that was wanted."""
        at_ns, strokes = self._handed.popleft()
        due = first + _LEAD_BLOCKS * count
        if at_ns:
            ahead_ns = at_ns - system.now_ns()
            due = max(due, first + ahead_ns * self._client.samplerate // NS_PER_SECOND)
        for frames, port_number, data in strokes:
            due += frames
            self._waiting.append((due, port_number, data))

    def play(self, strokes: list[tuple[int, int, bytes]], at_ns: int) -> list[int]:
        self.done.clear()
        self.sent = []
        self._handed.append((at_ns, strokes))
        gaps = self._gaps
        self.done.wait(_ANSWER_S)
        self.gaps = self._gaps - gaps
        return self.sent

    def unplug(self, number: int) -> None:
        self._ports.pop(number).unregister()

    def close(self) -> None:
        self._client.deactivate()
        self._client.close()


def _obey(player: Any, note: dict[str, Any]) -> None:
    if "play" in note:
        strokes = [(frames, port, bytes.fromhex(data)) for frames, port, data in note["play"]]
        answer({"sent": player.play(strokes, note["at_ns"]), "gaps": player.gaps})
    else:
        player.unplug(note["unplug"])
        answer({"unplugged": True})


def main() -> None:
    """Entry of the process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        player = _Player(pickle.load(sys.stdin.buffer))
    except DeviceError as error:
        answer({"what": error.what, "where": error.where, "hint": error.hint})
        return
    answer({"ready": True})
    told_to_leave(lambda line: _obey(player, json.loads(line)))
    player.close()
    os._exit(0)  # libjack's own threads may still be about
