"""The sender process: waits for deadlines, sends MIDI bytes, notes when it really did.

A sleep that ends a little early and a short spin: a waiting thread alone in its
process keeps its deadlines to a few microseconds where the system lets it have
real-time priority. Events come in the order of their deadlines, so there is one
queue and no sorting. Nothing is ever left out for being late: a missing clock
would put every receiver behind for good.

When its host is gone it goes on until another sender relieves it or the engine has left.
"""

from __future__ import annotations

import json
import os
import pickle
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from syncbox.drivers import system
from syncbox.drivers.midisystem import Outlet, open_outlet
from syncbox.drivers.relief import Relief, engine_is_gone, leaves_silence
from syncbox.engine.leaving import told_to_leave
from syncbox.engine.records import Deck, EventReader, SentEvent, publish_text, push_event
from syncbox.engine.words import Word
from syncbox.units import NS_PER_SECOND

_LOOK_S = 0.05  # after the host has gone
# Some systems carry a message, and open a port, only in their next block or the one after.
_SETTLE_NS = NS_PER_SECOND // 5
_IDLE_NS = 1_000_000  # between two looks at an empty queue
_NAP_NS = 10_000_000  # longest sleep with a deadline far ahead: notes from the host are heard
_HANDS_NAP_NS = 400_000  # the same while somebody may play on a keyboard
_FAR_NS = 2 * NS_PER_SECOND  # a deadline further off than this is a mistake of the map
_LINGER_NS = NS_PER_SECOND // 2  # after the host has let go, for what is still due


class Clock(Protocol):
    """Host time, and how to wait for it exactly."""

    def now_ns(self) -> int: ...
    def wait_until_ns(self, due_ns: int) -> None: ...
    def nap_ns(self, length_ns: int) -> None: ...


class SpinClock:
    """Sleeps until shortly before, then spins."""

    def now_ns(self) -> int:
        return system.now_ns()

    def wait_until_ns(self, due_ns: int) -> None:
        now_ns = system.now_ns
        left_ns = due_ns - now_ns() - system.SPIN_NS
        if left_ns > 0:
            time.sleep(left_ns / NS_PER_SECOND)
        while now_ns() < due_ns:
            pass

    def nap_ns(self, length_ns: int) -> None:
        time.sleep(length_ns / NS_PER_SECOND)


@dataclass(frozen=True, slots=True)
class SenderJob:
    """What the sender process is told at its start. `silencing` has messages per rig port."""

    deck_name: str
    now_type: type[Any]
    silencing: tuple[tuple[bytes, ...], ...]
    hands: bool = False  # whether somebody may play, who cannot wait


class Sender:
    """The loop, with its clock and its way to open ports given from outside."""

    def __init__(
        self,
        deck: Deck,
        silencing: tuple[tuple[bytes, ...], ...],
        *,
        clock: Clock,
        open_port: Callable[[str], Outlet | None],
        hands: bool = False,
    ) -> None:
        self._deck = deck
        self._reader = EventReader(deck.to_sender)
        self._played = EventReader(deck.played)
        self._sent = deck.sent
        self._counts = deck.sent_counts
        self._silencing = silencing
        self._clock = clock
        self._open_port = open_port
        self._outlets: list[dict[str, Outlet]] = [{} for _ in silencing]
        self._next: SentEvent | None = None
        self._longest_ns = _NAP_NS if not hands else _HANDS_NAP_NS
        self.notes: deque[Mapping[str, Any]] = deque()  # from the host, by another thread
        self.leaving = False  # set by the same thread
        self.relieved = False  # the same

    def wait(self, relief: Relief) -> bool:
        """Get the ports open and wait until the sender before this one has left.

        False: the host wants us to leave before that.
        """
        claim_ns: int | None = None
        while not (self.leaving or (relief.claimed and relief.free)):
            if self.notes:
                self._heed(self.notes.popleft())
                claim_ns = claim_ns or self._clock.now_ns() + _SETTLE_NS
            if claim_ns is not None and self._clock.now_ns() > claim_ns:
                relief.claim()
            self._clock.nap_ns(_HANDS_NAP_NS)
        for ring in (self._deck.to_sender, self._deck.played, self._deck.sent):
            ring.take_up()
        return relief.claimed and relief.free

    def run(self) -> None:
        """Until the host lets go and nothing is due any more, or until another one relieves it."""
        leave_ns = None
        while not (self.relieved and self._nothing_in_hand()):
            busy = self.turn() or bool(self.notes)
            if self.leaving and leave_ns is None:
                leave_ns = self._clock.now_ns() + _LINGER_NS
            if leave_ns is not None and (not busy or self._clock.now_ns() > leave_ns):
                return

    def turn(self) -> bool:
        """One step: a note, a nap or an event. Whether any event is waiting or was sent."""
        if self.notes:
            self._heed(self.notes.popleft())
        while (played := self._take(self._played)) is not None:
            self._send(played)
        event = self._next = self._next or self._take(self._reader)
        clock = self._clock
        if event is None:
            clock.nap_ns(min(_IDLE_NS, self._longest_ns))
            return False
        assert event.asked_ns is not None
        left_ns = event.asked_ns - clock.now_ns()
        if 2 * self._longest_ns < left_ns < _FAR_NS:
            clock.nap_ns(self._longest_ns)
            return True
        if left_ns < _FAR_NS:
            clock.wait_until_ns(event.asked_ns)
        self._send(event)
        self._next = None
        return True

    def _take(self, reader: EventReader) -> SentEvent | None:
        """The next event; nothing more than what has been begun once somebody else waits for it."""
        return None if self.relieved and reader.between else reader.next()

    def _nothing_in_hand(self) -> bool:
        return self._next is None and self._reader.between and self._played.between

    def _send(self, event: SentEvent) -> None:
        for outlet in self._outlets[event.port].values():
            outlet.send(event.data)
        actual_ns = self._clock.now_ns()
        self._counts[event.port] += 1
        asked_ns = event.asked_ns or 0
        push_event(
            self._sent,
            event.frame,
            event.port,
            event.data,
            event.why,
            asked_ns=asked_ns,
            actual_ns=actual_ns,
        )

    def _heed(self, note: Mapping[str, Any]) -> None:
        if note.get("hush"):
            self._hush()
        for index, wanted in enumerate(note.get("open", ())):
            outlets = self._outlets[index]
            for name in [name for name in outlets if name not in wanted]:
                outlets.pop(name).close()
            for name in wanted:
                outlet = outlets.get(name) or self._open_port(name)
                if outlet is not None:
                    outlets[name] = outlet
        opened = [sorted(outlets) for outlets in self._outlets]
        publish_text(self._deck.sender_facts, json.dumps({"open": opened}).encode())

    def _hush(self) -> None:
        """The engine is gone: forget what it still wanted, silence every port."""
        self._next = None
        self._reader.all()
        for outlets, messages in zip(self._outlets, self._silencing, strict=True):
            for outlet in outlets.values():
                for message in messages:
                    outlet.send(message)

    def close(self) -> None:
        """Close every port."""
        for outlets in self._outlets:
            for outlet in outlets.values():
                outlet.close()


def _listen(sender: Sender, deck: Deck, relief: Relief) -> None:
    told = told_to_leave(lambda line: sender.notes.append(json.loads(line)))
    if not told and deck.words[Word.STAYS] and relief.claimed:
        while not relief.over and not engine_is_gone(deck):
            time.sleep(_LOOK_S)
        sender.relieved = relief.over
        if not relief.over and not leaves_silence(deck):
            sender.notes.append({"hush": True})
    sender.leaving = not sender.relieved


def main() -> None:
    """Entry of the sender process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    job: SenderJob = pickle.load(sys.stdin.buffer)
    deck = Deck.attach(job.deck_name, job.now_type)
    relief = Relief(deck.words, Word.SENDER)
    sender = Sender(deck, job.silencing, clock=SpinClock(), open_port=open_outlet, hands=job.hands)
    threading.Thread(target=_listen, args=(sender, deck, relief), daemon=True).start()
    priority = system.ask_for_priority(system.SENDER_PRIORITY).text
    system.lock_memory()
    print(json.dumps({"priority": priority}), flush=True)  # noqa: T201  the host reads it
    with system.fine_timer():
        if sender.wait(relief):
            sender.run()
    relief.end()
    time.sleep(_SETTLE_NS / NS_PER_SECOND)
    sender.close()
    os._exit(0)  # shared memory is still in use here; see the engine process
