"""Connections in JACK: made at the start, and again whenever a port comes back.

The patch bay is a helper process with a client of its own, without a process
callback, so it costs the audio nothing. It connects what is *new*: a connection that
somebody took away by hand stays away. When the engine has died it sends the
silencing messages through a short-lived second client.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import pickle
import re
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from syncbox.drivers import system
from syncbox.drivers.child import Child
from syncbox.drivers.hostside import PortState
from syncbox.errors import DeviceError, EngineError
from syncbox.midi.ports import SystemPort, input_names, jack_ports, matching, silencing_messages
from syncbox.score.rig import Rig

_HUSH, _LOOK = b"h", b"l"
_LOOK_S = 0.3
_READY_S = 10.0
_HUSH_S = 1.0
_LEAVE_S = 2.0


@dataclass(frozen=True, slots=True)
class Wishes:
    """What shall be connected. Per MIDI port: its name, a pattern, and what silences it.

    `inputs` are the ports that hear: each with its name and the pattern of what it hears.
    """

    server: str
    client: str
    outputs: int
    midi: tuple[tuple[str, str], ...]
    silencing: tuple[tuple[bytes, ...], ...]
    inputs: tuple[tuple[str, str], ...] = ()
    looks_first: bool = False  # before it connects anything, and says what it sees

    @property
    def midi_names(self) -> tuple[str, ...]:
        """All MIDI ports of ours: those that play, then those that hear."""
        return tuple(name for name, _ in (*self.midi, *self.inputs))


class PatchBay:
    """The host's end of the helper process."""

    def __init__(self, server: str, rig: Rig, outputs: int) -> None:
        self.notes: tuple[str, ...] = ()
        self._server, self._rig, self._outputs = server, rig, outputs
        self._names = (*(port.name for port in rig.ports), *input_names(rig))
        self._states = tuple(PortState(name, ()) for name in self._names)
        self._helper: Child | None = None
        self._hushed = threading.Event()
        self._lost = False  # the server has gone
        self._client = ""
        self._looks_asked = 0

    def engine_is_ready(self, client: str) -> None:
        self._start(client, self._take)

    def engine_is_adopted(self, client: str) -> None:
        self._start(client, self._take_as_known)

    def _start(self, client: str, take: Callable[[dict[str, Any]], None]) -> None:
        self._client = client
        wishes = Wishes(
            server=self._server,
            client=client,
            outputs=self._outputs,
            midi=tuple((port.name, port.match) for port in self._rig.ports),
            silencing=silencing_messages(self._rig),
            inputs=tuple(zip(input_names(self._rig), self._rig.input_ports.values(), strict=True)),
            looks_first=take == self._take_as_known,
        )
        helper = Child("patch bay", __name__, wishes)
        try:
            take(helper.answer(patience_s=_READY_S))
        except (DeviceError, EngineError) as error:
            self.notes = (f"Ports are not connected by themselves: {error}",)
            helper.kill()
            helper.close()
            return
        self._helper = helper
        threading.Thread(target=self._listen, args=(helper,), name="ports", daemon=True).start()

    def engine_is_back(self, client: str) -> None:
        """The helper connects the new client's ports, unless its server or that name is gone."""
        helper = self._helper
        if helper is not None and helper.alive and not self._lost and client == self._client:
            # What it says until it has heard this may be about the ports of the dead engine.
            self._looks_asked += 1
            self._states = tuple(state.connected_now(()) for state in self._states)
            helper.tell(_LOOK)
            return
        self.close()
        self.notes, self._helper, self._lost, self._looks_asked = (), None, False, 0
        self.engine_is_ready(client)

    def _listen(self, helper: Child) -> None:
        for facts in helper.further_answers():
            if facts.get("hushed"):
                self._hushed.set()
            if facts.get("lost"):
                self._lost = True
            self._take(facts)

    def _take(self, facts: dict[str, Any]) -> None:
        if "connected" in facts and facts["looks"] >= self._looks_asked:
            self._states = tuple(
                state.connected_now(tuple(others), facts["at_ns"])
                for state, others in zip(self._states, facts["connected"], strict=True)
            )

    def _take_as_known(self, facts: dict[str, Any]) -> None:
        self._states = tuple(
            replace(state, connected_to=tuple(others))
            for state, others in zip(self._states, facts["connected"], strict=True)
        )

    def tend(self) -> None:
        if self._helper is not None and not self._helper.alive and not self.notes:
            self.notes = ("Ports are not connected by themselves any more: the helper died.",)

    def port_states(self) -> tuple[PortState, ...]:
        return self._states

    def hush(self) -> None:
        if self._helper is not None and not self._lost:
            self._hushed.clear()
            self._helper.tell(_HUSH)
            self._hushed.wait(2 * _HUSH_S)

    def close(self) -> None:
        if self._helper is not None:
            self._helper.leave(patience_s=_LEAVE_S)
            self._helper.close()


def connect_what_is_new(client: Any, wishes: Wishes, made: set[tuple[str, str]]) -> None:
    """Connect every pair that fits and was not `made` since both its ports are there.

    A port whose client is not active yet refuses; it is tried again at the next look.
    """
    playback = client.get_ports(is_audio=True, is_input=True, is_physical=True)
    own = f"{wishes.client}:"
    pairs = [
        (f"{own}out_{number}", target.name)
        for number, target in enumerate(playback[: wishes.outputs], 1)
    ]
    boxes, keyboards = (
        [port for port in jack_ports(client, outputs=outputs) if not port.name.startswith(own)]
        for outputs in (True, False)
    )
    for name, pattern in wishes.midi:
        pairs.extend((own + name, box.name) for box in matching(boxes, pattern))
    for name, pattern in wishes.inputs:
        pairs.extend((box.name, own + name) for box in matching(keyboards, pattern))
    present = {port.name for port in client.get_ports(f"^{re.escape(own)}")}
    pairs = [pair for pair in pairs if not present.isdisjoint(pair)]
    made.intersection_update(pairs)
    for pair in pairs:
        if pair not in made and _connect(client, *pair):
            made.add(pair)


def _connect(client: Any, source: str, target: str) -> bool:
    """Whether two ports are connected now, by us or by somebody before us."""
    import jack

    try:
        client.connect(source, target)
    except jack.JackErrorCode as error:
        return bool(error.code == errno.EEXIST)
    except jack.JackError:
        return False
    return True


def connections(client: Any, wishes: Wishes) -> list[list[str]]:
    """Per MIDI port of ours, the names of the ports it plays to or hears."""
    found = []
    for name in wishes.midi_names:
        try:
            port = client.get_port_by_name(f"{wishes.client}:{name}")
            found.append(sorted(other.name for other in client.get_all_connections(port)))
        except jack_error():
            found.append([])
    return found


def hush(wishes: Wishes, boxes: Sequence[SystemPort]) -> None:
    """Send the silencing messages of every port to the ports it means, then leave again."""
    import jack

    client = jack.Client("syncbox-hush", no_start_server=True, servername=wishes.server)
    ports: list[Any] = [client.midi_outports.register(name) for name, _ in wishes.midi]
    wanted, done = threading.Event(), threading.Event()

    def process(frames: int) -> None:
        del frames
        for port, data in zip(ports, wishes.silencing, strict=True):
            port.clear_buffer()
            if wanted.is_set() and not done.is_set():
                for message in data:
                    port.write_midi_event(0, message)
        if wanted.is_set():
            done.set()

    client.set_process_callback(process)
    with client:
        for port, (_, pattern) in zip(ports, wishes.midi, strict=True):
            for box in matching(boxes, pattern):
                with contextlib.suppress(jack.JackError):
                    client.connect(port, box.name)
        wanted.set()
        done.wait(_HUSH_S)
        # The block with the messages must have gone round before the ports disappear.
        threading.Event().wait(3 * client.blocksize / client.samplerate)


def jack_error() -> type[Exception]:
    """Base of JACK-Client's errors, without importing it where nobody needs JACK."""
    import jack

    error: type[Exception] = jack.JackError
    return error


class _Helper:
    """The helper process itself."""

    def __init__(self, wishes: Wishes) -> None:
        import jack

        self._wishes = wishes
        self._wake = threading.Event()
        self._leaving = self._hush_wanted = self._lost = False
        self._made: set[tuple[str, str]] = set()
        self._looks_asked = self._looks_done = 0
        self._gone: deque[str] = deque()  # ports that went away since the last look
        self._client = jack.Client("syncbox-ports", no_start_server=True, servername=wishes.server)
        self._client.set_port_registration_callback(self._registered)
        self._client.set_port_connect_callback(self._changed)
        self._client.set_shutdown_callback(self._shut_down)
        self._client.activate()

    def _registered(self, port: Any, there: bool) -> None:
        # One that has come back before the next look must not pass for one that never left.
        if not there:
            self._gone.append(port.name)
        self._wake.set()

    def _changed(self, *_: object) -> None:
        self._wake.set()

    def _shut_down(self, status: Any, reason: str) -> None:
        del status, reason
        self._lost = True
        self._wake.set()

    def listen(self) -> None:
        """In a thread of its own: what the host says."""
        while note := sys.stdin.buffer.read(1):
            self._hush_wanted = self._hush_wanted or note == _HUSH
            self._looks_asked += note == _LOOK
            self._wake.set()
        self._leaving = True
        self._wake.set()

    def run(self) -> None:
        told: list[list[str]] | None = None
        if self._wishes.looks_first:
            told = connections(self._client, self._wishes)
            _say_connected(told, self._looks_done)
        while not self._leaving:
            if self._lost:
                connected: list[list[str]] = [[] for _ in self._wishes.midi_names]
                _say({"lost": True})
            else:
                if self._looks_done != self._looks_asked:
                    self._looks_done, told = self._looks_asked, None
                    self._made.clear()
                told = self._forget_gone(told)
                connect_what_is_new(self._client, self._wishes, self._made)
                connected = connections(self._client, self._wishes)
            if connected != told:
                _say_connected(connected, self._looks_done)
                told = connected
            if self._hush_wanted:
                self._hush_wanted = False
                self._send_hush()
            self._wake.wait(_LOOK_S)
            self._wake.clear()
        if not self._lost:
            # A client that leaves without a word holds up the server's own end for seconds.
            self._client.deactivate()
            self._client.close()

    def _forget_gone(self, told: list[list[str]] | None) -> list[list[str]] | None:
        """Take connections of ports that went away out of what was made and what was told."""
        gone = {self._gone.popleft() for _ in range(len(self._gone))}
        if not gone or told is None:
            return told
        self._made = {pair for pair in self._made if gone.isdisjoint(pair)}
        own = (f"{self._wishes.client}:{name}" for name in self._wishes.midi_names)
        left = [
            [] if name in gone else [other for other in others if other not in gone]
            for name, others in zip(own, told, strict=True)
        ]
        if left != told:
            _say_connected(left, self._looks_done)
        return left

    def _send_hush(self) -> None:
        if not self._lost:
            with contextlib.suppress(jack_error()):
                hush(self._wishes, jack_ports(self._client, outputs=True))
        _say({"hushed": True})


def _say_connected(connected: list[list[str]], looks: int) -> None:
    # Of this host, which all its processes count alike: whoever is connected is so by then.
    _say({"connected": connected, "looks": looks, "at_ns": system.now_ns()})


def _say(facts: dict[str, Any]) -> None:
    print(json.dumps(facts), flush=True)  # noqa: T201  the host reads it from the pipe


def main() -> None:
    """Entry of the helper process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    wishes: Wishes = pickle.load(sys.stdin.buffer)
    try:
        helper = _Helper(wishes)
        threading.Thread(target=helper.listen, daemon=True).start()
        helper.run()
    except jack_error() as error:
        _say({"what": str(error), "where": "", "hint": ""})
    # What is left waits for a server that has gone; nothing here needs an orderly end.
    os._exit(0)
