"""The input process: hears the rig's MIDI inputs and stamps every message on arrival.

For drivers whose audio system knows no MIDI. Each of the system's ports has a thread of
the MIDI library that calls in here; what it brings goes into the ring to the engine,
which has one writer, so a lock of this process makes them take turns. A port that
goes away is told to the engine by an empty message, so that nothing stays held.

When its host is gone it goes on until another one relieves it or the engine has left.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from syncbox.drivers import system
from syncbox.drivers.midisystem import open_midi
from syncbox.drivers.relief import Relief, engine_is_gone
from syncbox.engine.leaving import told_to_leave
from syncbox.engine.records import Deck, push_event
from syncbox.engine.shared import Ring
from syncbox.engine.words import Word

_HELD_MAX = 1000  # messages while another one is still at it
_LOOK_S = 0.05  # after the host has gone
_NAP_S = 0.0004  # while the one before leaves

Heard = Callable[[bytes], None]


class Inlet(Protocol):
    """One open port of the system."""

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class ReceiverJob:
    """What the input process is told at its start."""

    deck_name: str
    now_type: type[Any]
    input_count: int


class Receiver:
    """The inputs of a rig with the system's ports that play into them."""

    def __init__(
        self,
        ring: Ring,
        input_count: int,
        *,
        now_ns: Callable[[], int],
        open_port: Callable[[str, Heard], Inlet | None],
    ) -> None:
        self._ring = ring
        self._now_ns = now_ns
        self._open_port = open_port
        self._inlets: list[dict[str, Inlet]] = [{} for _ in range(input_count)]
        self._turn = threading.Lock()  # of this process's threads; the engine never sees it
        self._held: list[tuple[int, bytes, int]] | None = None  # until this one's turn
        self._over = False

    def heed(self, wanted: list[list[str]]) -> None:
        """For each input the system's ports that it shall hear from now on."""
        for number, names in enumerate(wanted):
            inlets = self._inlets[number]
            gone = [name for name in inlets if name not in names]
            for name in gone:
                inlets.pop(name).close()
            if gone and not inlets:
                self._tell(number, b"")
            for name in names:
                if name not in inlets:
                    inlet = self._open_port(name, self._heard(number))
                    if inlet is not None:
                        inlets[name] = inlet

    def _heard(self, number: int) -> Heard:
        return lambda data: self._tell(number, data)

    def _tell(self, number: int, data: bytes) -> None:
        now_ns = self._now_ns()
        with self._turn:
            if self._held is None:
                self._push(number, data, now_ns)
            elif len(self._held) < _HELD_MAX:
                self._held.append((number, data, now_ns))

    def _push(self, number: int, data: bytes, now_ns: int) -> None:
        if not self._over:
            push_event(self._ring, 0, number, data, "played", asked_ns=now_ns)

    def hold(self) -> None:
        """Keep what is heard: another process still hears the same."""
        self._held = []

    def begin(self, since_ns: int) -> None:
        """That one has left. What it heard last was before a host time."""
        with self._turn:
            self._ring.take_up()
            held, self._held = self._held or [], None
            for number, inlets in enumerate(self._inlets):
                if not inlets:  # it may have gone while nobody looked
                    self._push(number, b"", since_ns)
            for number, data, at_ns in held:
                if at_ns >= since_ns:
                    self._push(number, data, at_ns)

    def end(self) -> int:
        """Hear nothing from now on; gives that moment in host time."""
        with self._turn:
            self._over = True
            return self._now_ns()

    def close(self) -> None:
        """Close every port."""
        for inlets in self._inlets:
            for inlet in inlets.values():
                inlet.close()


class SystemInlet:
    """One open input of the computer through python-rtmidi."""

    def __init__(self, midi: Any) -> None:
        self._midi = midi

    def close(self) -> None:
        with contextlib.suppress(Exception):  # every backend has its own error for a pulled cable
            self._midi.cancel_callback()
            self._midi.close_port()
            self._midi.delete()


def open_inlet(name: str, heard: Heard) -> SystemInlet | None:
    """The port of this name, None when it is not there or does not open."""
    midi = open_midi(outputs=False)
    if midi is None:
        return None
    try:
        midi.open_port(midi.get_ports().index(name), name="in")
    except Exception:  # it went while we looked; the next change of the list brings it back
        midi.delete()
        return None
    midi.ignore_types(sysex=True, timing=False, active_sense=True)
    midi.set_callback(lambda event, _: heard(bytes(event[0])))
    return SystemInlet(midi)


def main() -> None:
    """Entry of the input process: each line of its input says which ports to hear."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    job: ReceiverJob = pickle.load(sys.stdin.buffer)
    deck = Deck.attach(job.deck_name, job.now_type)
    relief = Relief(deck.words, Word.RECEIVER)
    receiver = Receiver(deck.heard, job.input_count, now_ns=system.now_ns, open_port=open_inlet)
    if not relief.claimed:
        receiver.hold()
    priority = system.ask_for_priority(system.SENDER_PRIORITY).text
    print(json.dumps({"priority": priority}), flush=True)  # noqa: T201  the host reads it
    told = told_to_leave(lambda line: _heed(receiver, relief, deck, json.loads(line)["open"]))
    if not told and deck.words[Word.STAYS] and relief.claimed:
        while not relief.over and not engine_is_gone(deck):
            time.sleep(_LOOK_S)
    left_ns = receiver.end()
    if relief.claimed:
        deck.words[Word.RECEIVER_LEFT_NS] = left_ns
        relief.end()
    receiver.close()
    os._exit(0)  # threads of the MIDI library may still be about


def _heed(receiver: Receiver, relief: Relief, deck: Deck, wanted: list[list[str]]) -> None:
    receiver.heed(wanted)
    if not relief.claimed:  # with the ports open
        relief.claim()
        while not relief.free:
            time.sleep(_NAP_S)
        receiver.begin(deck.words[Word.RECEIVER_LEFT_NS])
