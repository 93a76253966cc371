"""What audio and MIDI there is on this computer, found out by a helper process.

Audio libraries print to the error output, hold devices open and sometimes hang.
In a process of their own, with a time limit, none of that reaches the user.
"""

from __future__ import annotations

import dataclasses
import json
import os
import pickle
import sys
from dataclasses import dataclass

from syncbox.drivers import system
from syncbox.drivers.child import Child
from syncbox.errors import EngineError
from syncbox.midi.ports import SystemPort, jack_ports, rtmidi_ports

_PATIENCE_S = 10.0


@dataclass(frozen=True, slots=True)
class JackServer:
    """A running JACK (or PipeWire) server."""

    name: str
    rate: int
    block_frames: int
    realtime: bool
    playback_ports: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AudioDevice:
    """An audio output as PortAudio lists it."""

    index: int
    name: str
    host_api: str
    outputs: int
    rate: int
    default: bool


@dataclass(frozen=True, slots=True)
class AudioInput:
    """A device that records as PortAudio lists it; often the one of an output, too."""

    index: int
    name: str
    host_api: str
    inputs: int
    default: bool


@dataclass(frozen=True, slots=True)
class Found:
    """One look at the computer. MIDI ports are seen through JACK, or else through `midi_system`."""

    jack: JackServer | None
    audio: tuple[AudioDevice, ...]
    midi_system: str  # "" when there is none
    midi_outputs: tuple[SystemPort, ...]
    midi_inputs: tuple[SystemPort, ...]
    jack_outputs: tuple[SystemPort, ...]
    jack_inputs: tuple[SystemPort, ...]
    trouble: str = ""  # why there may be more than was found
    audio_inputs: tuple[AudioInput, ...] = ()


NOTHING = Found(None, (), "", (), (), (), ())


def scan(jack_server: str | None = None) -> Found:
    """Look now. Takes about half a second. `jack_server` is a server's name if not the default."""
    helper = Child("device search", __name__, jack_server)
    try:
        found = pickle.loads(bytes.fromhex(helper.answer(patience_s=_PATIENCE_S)["found"]))
    except EngineError as error:
        return dataclasses.replace(NOTHING, trouble=str(error))
    finally:
        helper.leave(patience_s=1.0)
        helper.close()
    assert isinstance(found, Found)
    return found


def main() -> None:
    """Entry of the helper process."""
    server: str | None = pickle.load(sys.stdin.buffer)
    found = NOTHING
    for look in (lambda found: _with_jack(found, server), _with_portaudio, _with_rtmidi):
        try:
            found = look(found)
        except Exception as error:
            found = dataclasses.replace(found, trouble=f"{found.trouble} {error}".strip())
    print(json.dumps({"found": pickle.dumps(found).hex()}), flush=True)  # noqa: T201


def _with_jack(found: Found, server_name: str | None) -> Found:
    if not system.has_jack_driver():
        return found
    import jack

    try:
        client = jack.Client("syncbox-search", no_start_server=True, servername=server_name)
    except jack.JackOpenError:
        return found
    with client:
        playback = client.get_ports(is_audio=True, is_physical=True, is_input=True)
        server = JackServer(
            name=server_name or os.environ.get("JACK_DEFAULT_SERVER", "default"),
            rate=client.samplerate,
            block_frames=client.blocksize,
            realtime=bool(client.realtime),
            playback_ports=tuple(port.name for port in playback),
        )
        return dataclasses.replace(
            found,
            jack=server,
            jack_outputs=jack_ports(client, outputs=True),
            jack_inputs=jack_ports(client, outputs=False),
        )


def _with_portaudio(found: Found) -> Found:
    import sounddevice

    apis = sounddevice.query_hostapis()
    default_input, default = sounddevice.default.device
    listed = list(sounddevice.query_devices())
    devices = tuple(
        AudioDevice(
            index=device["index"],
            name=device["name"],
            host_api=apis[device["hostapi"]]["name"],
            outputs=device["max_output_channels"],
            rate=round(device["default_samplerate"]),
            default=device["index"] == default,
        )
        for device in listed
        if device["max_output_channels"] > 0
    )
    inputs = tuple(
        AudioInput(
            index=device["index"],
            name=device["name"],
            host_api=apis[device["hostapi"]]["name"],
            inputs=device["max_input_channels"],
            default=device["index"] == default_input,
        )
        for device in listed
        if device["max_input_channels"] > 0
    )
    return dataclasses.replace(found, audio=devices, audio_inputs=inputs)


def _with_rtmidi(found: Found) -> Found:
    from syncbox.drivers.midisystem import open_midi, system_name

    outputs, inputs = open_midi(outputs=True), open_midi(outputs=False)
    if outputs is None or inputs is None:
        return found
    found = dataclasses.replace(
        found,
        midi_system=system_name(outputs),
        midi_outputs=rtmidi_ports(outputs),
        midi_inputs=rtmidi_ports(inputs),
    )
    outputs.delete()
    inputs.delete()
    return found
