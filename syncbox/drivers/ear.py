"""Listens on every MIDI input of the computer at once, to learn what a pedal sends.

Through the JACK server if one runs, otherwise through python-rtmidi. This is for
learning at home or at the sound check: a show listens in its engine.
"""

from __future__ import annotations

import queue
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from syncbox.drivers import system
from syncbox.drivers.midisystem import open_midi
from syncbox.errors import DeviceError
from syncbox.midi.parser import Parser
from syncbox.midi.ports import SystemPort, jack_ports, rtmidi_ports

CLIENT_NAME = "syncbox-learn"


class Ear:
    """All inputs, and the messages that came in from them."""

    def __init__(self) -> None:
        self.ports: tuple[SystemPort, ...] = ()
        self._heard: queue.SimpleQueue[tuple[SystemPort, bytes]] = queue.SimpleQueue()

    def put(self, port: SystemPort, message: bytes) -> None:
        """A whole message came in. Called by the threads of the audio systems."""
        self._heard.put((port, message))

    def next(self, patience_s: float) -> tuple[SystemPort, bytes] | None:
        """The next message and where it came from, None if none comes in time."""
        try:
            return self._heard.get(timeout=patience_s)
        except queue.Empty:
            return None


@contextmanager
def listening(server: str | None) -> Iterator[Ear]:
    """An open ear. `server` is a JACK server's name; None is the usual one.

    Raises DeviceError when the computer has no MIDI input at all.
    """
    ear = Ear()
    client = _jack_client(server) if system.has_jack_driver() else None
    closers: list[Any] = []
    try:
        if client is not None:
            closers.append(client.close)
            _listen_to_jack(ear, client)
        else:
            _listen_to_rtmidi(ear, closers)
        if not ear.ports:
            raise DeviceError(
                "this computer has no MIDI input",
                hint="plug the pedal or the keyboard in, and look with `syncbox ports`",
            )
        yield ear
    finally:
        for close in closers:
            close()


def _jack_client(server: str | None) -> Any | None:
    import jack

    try:
        with system.quiet_libraries():
            return jack.Client(CLIENT_NAME, no_start_server=True, servername=server)
    except jack.JackOpenError:
        if server is not None:
            raise DeviceError(f"the JACK server {server} does not answer") from None
        return None


def _listen_to_jack(ear: Ear, client: Any) -> None:
    sources = jack_ports(client, outputs=False)
    own = [client.midi_inports.register(f"in_{number}") for number in range(len(sources))]
    rows = list(zip(own, sources, (Parser() for _ in own), strict=True))

    def process(count: int) -> None:
        del count
        for port, source, parser in rows:
            for _, data in port.incoming_midi_events():
                for message in parser.feed(bytes(data)):
                    ear.put(source, message)

    client.set_process_callback(process)
    client.activate()
    for port, source, _ in rows:
        client.connect(source.name, port)
    ear.ports = sources


def _listen_to_rtmidi(ear: Ear, closers: list[Any]) -> None:
    first = open_midi(outputs=False)
    if first is None:
        return
    ear.ports = rtmidi_ports(first)
    first.delete()
    for number, port in enumerate(ear.ports):
        midi = open_midi(outputs=False)
        if midi is None:
            continue
        closers.append(midi.delete)
        parser = Parser()

        def heard(event: Any, _: Any, port: SystemPort = port, parser: Parser = parser) -> None:
            for message in parser.feed(bytes(event[0])):
                ear.put(port, message)

        midi.open_port(number, name=f"in {number}")
        midi.set_callback(heard)
