"""Audio and MIDI through one JACK process callback: click and clock agree to the frame.

Two halves. In the engine process the callback renders a block and writes audio and
MIDI events, each at its frame. Connections are made and remade by the patch bay,
a helper process with a client of its own (`patchbay`), because a second busy
thread in the engine process would cost it its deadlines.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from syncbox.drivers import system
from syncbox.drivers.choose import Choice
from syncbox.drivers.hostside import HostSide
from syncbox.drivers.patchbay import PatchBay, jack_error
from syncbox.engine.cycle import Cycle
from syncbox.engine.records import Deck, Health
from syncbox.errors import DeviceError
from syncbox.midi.ports import input_names

CLIENT_NAME = "syncbox"
_FIRST_BLOCK_S = 5.0
_MASK = 0xFFFF_FFFF  # JACK counts frames in 32 bits
_HALF = 0x8000_0000
_SAME_SERVER_S = 0.25  # two servers' counts do not agree with the host's clock by accident


@dataclass(frozen=True, slots=True)
class JackDriver:
    """The engine's half. `server` is the server's name."""

    server: str

    def open(self, cycle: Cycle, program: Any) -> Running:
        import jack

        try:
            client = jack.Client(CLIENT_NAME, no_start_server=True, servername=self.server)
        except jack.JackOpenError:
            raise DeviceError(
                f"the JACK server {self.server} does not answer", hint="is it still running?"
            ) from None
        if client.samplerate != program.rate:
            raise DeviceError(f"the JACK server runs at {client.samplerate} Hz")
        return Running(client, self.server, cycle, program)


class Running:
    """A client whose process callback is the engine."""

    def __init__(self, client: Any, server: str, cycle: Cycle, program: Any) -> None:
        self._client = client
        self._server = server
        self._cycle = cycle
        self._outputs = [
            client.outports.register(f"out_{number}")
            for number in range(1, program.output_count + 1)
        ]
        self._midi = [client.midi_outports.register(port.name) for port in program.rig.ports]
        self._inputs = [
            (number, client.midi_inports.register(name))
            for number, name in enumerate(input_names(program.rig))
        ]
        self._plugged = [False] * len(self._inputs)
        self._numbered_outputs = list(enumerate(self._outputs))
        self._refusals: type[Exception] = jack_error()
        self._next_frame_time = -1  # JACK's number of the frame after the last block
        self._first_block = threading.Event()
        self._priority = ""
        client.set_process_callback(self._process)
        client.set_xrun_callback(self._xrun)
        client.set_shutdown_callback(self._shut_down)
        self._memory = system.lock_memory().text
        client.activate()
        self._first_block.wait(_FIRST_BLOCK_S)

    @property
    def facts(self) -> Mapping[str, Any]:
        return {
            "client": self._client.name,
            "device": f"JACK server {self._server}",
            "rate": self._client.samplerate,
            "block_frames": self._client.blocksize,
            "priority": self._priority,
            "memory": self._memory,
        }

    def _process(self, frame_count: int) -> None:
        cycle = self._cycle
        started_ns = cycle.now_ns()
        if cycle.finished:
            self._silence()
            return
        try:
            frame_time = self._client.last_frame_time
            lost = (frame_time - self._next_frame_time) & _MASK
            if self._next_frame_time < 0:
                lost = self._begin(frame_time)
            elif lost == -frame_count & _MASK:
                return  # woken twice in one cycle, after being late: its block lies there
            elif lost >= _HALF:
                lost = 0  # the server's clock was set back: nothing of ours is missing
            self._next_frame_time = (frame_time + frame_count) & _MASK
            self._listen()
            block = cycle.begin(frame_count, lost, started_ns)
            self._write(block.audio, block.midi)
            cycle.end(frame_count, started_ns)
        except Exception as error:  # the snapshot and the host say it
            cycle.fail(error)
            self._silence()

    def _begin(self, frame_time: int) -> int:
        """In the first callback: things that only its own thread can do. Gives frames lost."""
        lost = self._frames_away(frame_time)
        pulse = self._cycle.pulse
        pulse.audio_frame_zero = (frame_time - pulse.frame - lost) & _MASK
        if self._client.realtime:
            self._priority = "real-time priority from the JACK server"
        else:
            grant = system.ask_for_priority(system.ENGINE_PRIORITY)
            self._priority = f"{grant.text} (the JACK server itself runs without)"
        self._first_block.set()
        return lost

    def _frames_away(self, frame_time: int) -> int:
        """Frames since the engine before this one: exact, unless the server is another one."""
        cycle = self._cycle
        if not cycle.resuming:
            return 0
        pulse = cycle.pulse
        by_server = (frame_time - pulse.audio_frame_zero - pulse.frame) & _MASK
        by_clock = cycle.frames_since_snapshot(cycle.now_ns(), self._client.samplerate)
        near = abs(by_server - by_clock) < self._client.samplerate * _SAME_SERVER_S
        return by_server if near else by_clock

    def _listen(self) -> None:
        """What came in for this block; a cable that was pulled lets go of what it held."""
        cycle = self._cycle
        for number, port in self._inputs:
            for offset, data in port.incoming_midi_events():
                cycle.hear(offset, number, bytes(data))
            plugged = port.number_of_connections > 0
            if self._plugged[number] and not plugged:
                cycle.input_gone(number)
            self._plugged[number] = plugged

    def _write(self, audio: Any, midi: list[tuple[int, int, bytes, str]]) -> None:
        for index, port in self._numbered_outputs:
            port.get_buffer()[:] = audio[index]
        for port in self._midi:
            port.clear_buffer()
        if not midi:
            return
        cycle = self._cycle
        first_frame = cycle.pulse.frame
        for offset, index, data, why in midi:
            try:
                self._midi[index].write_midi_event(offset, data)
            except self._refusals:
                cycle.pulse.midi_refused += 1
            else:
                cycle.sent(first_frame + offset, index, data, why)

    def _silence(self) -> None:
        for port in self._outputs:
            buffer = port.get_buffer()
            buffer[:] = bytes(len(buffer))
        for port in self._midi:
            port.clear_buffer()

    def _xrun(self, delayed_us: float) -> None:
        del delayed_us
        self._cycle.pulse.xruns += 1

    def _shut_down(self, status: Any, reason: str) -> None:
        del status, reason
        self._cycle.stop_with(Health.AUDIO_LOST)

    def close(self) -> None:
        if self._cycle.pulse.health == Health.AUDIO_LOST:
            return  # nobody is there to say goodbye to, and libjack may wait for an answer
        self._client.deactivate()
        self._client.close()


def plug(choice: Choice, program: Any, deck: Deck) -> tuple[JackDriver, HostSide]:
    """Both halves for a session."""
    del deck
    return JackDriver(choice.device), PatchBay(choice.device, program.rig, program.output_count)
