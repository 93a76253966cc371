"""The computer's MIDI through python-rtmidi: which of its backends works here, ports by name.

`main` is a helper process that watches the list of ports, since asking for it
takes time that neither the sender nor the host's screen should spend.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import signal
import sys
import threading
from typing import Any

from syncbox.drivers import system

CLIENT_NAME = "syncbox-midi"  # "syncbox" is the engine's own in JACK
_WATCH_S = 0.5


def open_midi(*, outputs: bool) -> Any | None:
    """An rtmidi.MidiOut or MidiIn on the first backend that works, None when none does."""
    import rtmidi

    make = rtmidi.MidiOut if outputs else rtmidi.MidiIn
    for api in rtmidi.get_compiled_api():
        if api == rtmidi.API_RTMIDI_DUMMY:
            continue
        if api == rtmidi.API_LINUX_ALSA and not system.has_alsa_sequencer():
            continue
        try:
            with system.quiet_libraries():
                return make(api, name=CLIENT_NAME)
        except rtmidi.RtMidiError:
            continue
    return None


def system_name(midi: Any) -> str:
    """Name of the backend, for people."""
    import rtmidi

    name: str = rtmidi.get_api_display_name(midi.get_current_api())
    return name


def counts_blocks(midi: Any) -> bool:
    """Whether this backend moves every message to the start of an audio block."""
    import rtmidi

    return bool(midi.get_current_api() == rtmidi.API_UNIX_JACK)


class Outlet:
    """One open port of the system."""

    def __init__(self, midi: Any) -> None:
        self._midi = midi

    def send(self, data: bytes) -> None:
        """Send one whole message. A port that has gone takes it and says nothing."""
        with contextlib.suppress(Exception):  # every backend has its own error for a pulled cable
            self._midi.send_message(data)

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self._midi.close_port()
            self._midi.delete()


def open_outlet(name: str) -> Outlet | None:
    """The port of this name, None when it is not there or does not open."""
    midi = open_midi(outputs=True)
    if midi is None:
        return None
    try:
        midi.open_port(midi.get_ports().index(name), name="out")
    except Exception:  # it went while we looked; the next change of the list brings it back
        midi.delete()
        return None
    return Outlet(midi)


def _others(midi: Any | None) -> list[str]:
    """Ports that are not our own: nobody shall hear himself."""
    names = [] if midi is None else midi.get_ports()
    return [name for name in names if not name.startswith(CLIENT_NAME)]


def _wait_for_the_end(leaving: threading.Event) -> None:
    while sys.stdin.buffer.read(1):
        pass
    leaving.set()


def main() -> None:
    """Entry of the watching helper: one line of JSON whenever the lists of ports change."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    pickle.load(sys.stdin.buffer)
    leaving = threading.Event()
    threading.Thread(target=_wait_for_the_end, args=(leaving,), daemon=True).start()
    midi, ears = open_midi(outputs=True), open_midi(outputs=False)
    facts: dict[str, Any] = {"system": "", "blocks": False}
    if midi is not None:
        facts = {"system": system_name(midi), "blocks": counts_blocks(midi)}
    told = None
    while not leaving.is_set():
        lists = {"outputs": _others(midi), "inputs": _others(ears)}
        if lists != told:
            print(json.dumps({**facts, **lists}), flush=True)  # noqa: T201
            told = lists
        leaving.wait(_WATCH_S)
    for each in (midi, ears):
        if each is not None:
            each.delete()
    os._exit(0)  # the other thread may be reading still
