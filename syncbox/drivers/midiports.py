"""The host's side of MIDI through the sender process: which port of the system is whose."""

from __future__ import annotations

import json
import threading
from dataclasses import replace
from typing import Any

from syncbox.drivers.child import Child
from syncbox.drivers.hostside import PortState
from syncbox.drivers.receiver import ReceiverJob
from syncbox.drivers.sender import SenderJob
from syncbox.engine.records import Deck, read_text
from syncbox.errors import DeviceError, EngineError
from syncbox.midi.ports import SystemPort, input_names, matching, silencing_messages
from syncbox.score.rig import Rig

_READY_S = 10.0
_LEAVE_S = 2.0


class MidiPorts:
    """Starts the sender and the watcher, and tells one what the other sees."""

    def __init__(self, deck: Deck, rig: Rig) -> None:
        self._deck, self._rig = deck, rig
        names = (*(port.name for port in rig.ports), *input_names(rig))
        self._states = tuple(PortState(name, ()) for name in names)
        self._lock = threading.Lock()
        hands = bool(rig.input_ports)
        job = SenderJob(deck.name, deck.now_type, silencing_messages(rig), hands)
        self._sender = Child("MIDI sender", "syncbox.drivers.sender", job)
        self._receiver: Child | None = None
        if hands:
            hearing = ReceiverJob(deck.name, deck.now_type, len(rig.input_ports))
            self._receiver = Child("MIDI input", "syncbox.drivers.receiver", hearing)
        self._watcher: Child | None = None
        self._sender_note = ""
        self._system_note = ""

    @property
    def notes(self) -> tuple[str, ...]:
        return tuple(note for note in (self._sender_note, self._system_note) if note)

    def engine_is_ready(self, client: str) -> None:
        del client
        self._start(known=None)

    def engine_is_adopted(self, client: str) -> None:
        """The sender that plays on has these ports open; another one takes over from it."""
        del client
        self._start(known=(read_text(self._deck.sender_facts) or {}).get("open"))

    def _start(self, *, known: list[list[str]] | None) -> None:
        priority = self._sender.answer(patience_s=_READY_S)["priority"]
        self._sender_note = f"The MIDI sender has {priority}."
        if self._receiver is not None:
            self._receiver.answer(patience_s=_READY_S)
        watcher = Child("port watcher", "syncbox.drivers.midisystem", None)
        try:
            self._take(watcher.answer(patience_s=_READY_S), known)
        except (DeviceError, EngineError) as error:
            watcher.kill()
            watcher.close()
            self._system_note = f"MIDI ports could not be listed: {error}"
            return
        self._watcher = watcher
        threading.Thread(target=self._listen, args=(watcher,), name="ports", daemon=True).start()

    def engine_is_back(self, client: str) -> None:
        """Nothing to do: sender and watcher have stayed."""

    def _listen(self, watcher: Child) -> None:
        for facts in watcher.further_answers():
            self._take(facts)

    def _take(self, facts: dict[str, Any], known: list[list[str]] | None = None) -> None:
        """What the watcher sees. `known`: what each port plays to already, for another host."""
        outputs = [SystemPort(name) for name in facts["outputs"]]
        wanted = [[box.name for box in matching(outputs, port.match)] for port in self._rig.ports]
        if known is not None:
            ports, inputs = self._states[: len(known)], self._states[len(known) :]
            self._states = (
                *(
                    replace(state, connected_to=tuple(name for name in now if name in before))
                    for state, before, now in zip(ports, known, wanted, strict=True)
                ),
                *inputs,
            )
        self._tell({"open": wanted})
        keyboards = [SystemPort(name) for name in facts["inputs"]]
        patterns = self._rig.input_ports.values()
        heard = [[box.name for box in matching(keyboards, pattern)] for pattern in patterns]
        if self._receiver is not None:
            self._receiver.tell(json.dumps({"open": heard}).encode() + b"\n")
        self._states = tuple(
            state.connected_now(tuple(names))
            for state, names in zip(self._states, (*wanted, *heard), strict=True)
        )
        if not facts["system"]:
            self._system_note = "This computer has no MIDI system, so no MIDI goes out."
        elif facts["blocks"]:
            self._system_note = (
                f"MIDI through {facts['system']} moves every message to the start of an audio "
                "block: the driver jack keeps the clock tight."
            )

    def _tell(self, note: dict[str, Any]) -> None:
        with self._lock:
            self._sender.tell(json.dumps(note).encode() + b"\n")

    def tend(self) -> None:
        if not self._sender.alive:
            self._sender_note = "The MIDI sender died: no MIDI goes out. Leave and start again."
        elif self._receiver is not None and not self._receiver.alive:
            self._sender_note = "The MIDI input died: pedals do nothing. Leave and start again."

    def port_states(self) -> tuple[PortState, ...]:
        return self._states

    def hush(self) -> None:
        self._tell({"hush": True})

    def close(self) -> None:
        for helper in (self._watcher, self._receiver, self._sender):
            if helper is not None:
                helper.leave(patience_s=_LEAVE_S)
                helper.close()
