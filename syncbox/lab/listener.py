"""The capture's own process: a JACK client that writes down what it hears, and when.

It shares nothing with the engine but the server. The callback copies into arrays
that were made before it ran; what it all means is worked out after it has ended.
JACK numbers every frame, and both clients see the same numbers, so no clock has to
be compared with another.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import sys
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any

import numpy as np

from syncbox.audio.voices import click_voices
from syncbox.drivers import system
from syncbox.engine.process import answer
from syncbox.errors import DeviceError, SyncboxError
from syncbox.lab.onsets import digital_onsets, matched_onsets

CLIENT_NAME = "syncbox-capture"
STOP = b"s"
_MASK = 0xFFFF_FFFF  # JACK counts frames in 32 bits: 24 hours at 48 kHz
_MIDI_PER_SECOND = 1000  # messages on all ports together; 400 qpm of clock is 160 a port
_MESSAGE_BYTES = 4  # kept of each message; the reference song has no longer ones
_TROUBLES_MAX = 10_000
_SPARE_BLOCKS = 64


@dataclass(frozen=True, slots=True)
class ListenJob:
    """What to hear: JACK ports by name or shell-style pattern, one input each.

    An empty name leaves an input for others to connect. The capture ends by itself
    after `seconds`. `cable` says that the sound went through a cable, so that clicks must
    be looked for in noise. The result goes to `path` as numpy's npz.
    """

    server: str
    audio: tuple[str, ...]
    midi: tuple[str, ...]
    seconds: float
    path: str
    cable: bool = False


class Recorder:
    """The arrays and the callback that fills them. Frames count from the first block heard."""

    def __init__(self, client: Any, job: ListenJob) -> None:
        self._client = client
        room = round(job.seconds * client.samplerate)
        self._audio_ports = [
            client.inports.register(f"hear_{index}") for index in range(1, len(job.audio) + 1)
        ]
        self._midi_ports = [
            client.midi_inports.register(f"midi_{index}") for index in range(1, len(job.midi) + 1)
        ]
        self._numbered_midi = list(enumerate(self._midi_ports))
        self.audio = np.zeros((len(job.audio), room), dtype=np.float32)
        self.audio.fill(0.0)  # every page is there before the callback writes to it
        messages = round(job.seconds * _MIDI_PER_SECOND)
        self.midi = np.zeros((messages, 3), dtype=np.int64)  # frame, port, length
        self.midi_bytes = bytearray(messages * _MESSAGE_BYTES)
        self.midi_count = 0
        self.gaps = np.zeros((_TROUBLES_MAX, 2), dtype=np.int64)  # first lost frame, how many
        self.gap_count = 0
        self.xruns = np.zeros(_TROUBLES_MAX, dtype=np.int64)
        self.xrun_count = 0
        # First frame and host time of each callback, to hold two servers' frames together.
        self.blocks = np.zeros((room // client.blocksize + _SPARE_BLOCKS, 2), dtype=np.int64)
        self.block_count = 0
        self.first_frame_time = -1
        self.frames = 0
        self.full = False
        self.priority = ""

    def process(self, count: int) -> None:
        """The callback: copy and count."""
        called_ns = system.now_ns()
        frame_time = self._client.last_frame_time
        if self.first_frame_time < 0:
            self._begin(frame_time)
        first = (frame_time - self.first_frame_time) & _MASK
        end = first + count
        if first > self.frames:
            if self.gap_count < _TROUBLES_MAX:
                self.gaps[self.gap_count] = self.frames, first - self.frames
                self.gap_count += 1
        elif first < self.frames:
            self._take_back(first)
        self.frames = end
        if self.block_count < len(self.blocks):
            self.blocks[self.block_count] = first, called_ns
            self.block_count += 1
        if end > self.audio.shape[1]:
            self.full = True
            return
        for index, port in enumerate(self._audio_ports):
            self.audio[index, first:end] = port.get_array()
        for index, port in self._numbered_midi:
            for offset, data in port.incoming_midi_events():
                self._note(first + offset, index, data)

    def _take_back(self, first: int) -> None:
        """Forget what was noted from a frame on.

        A server whose clients do not wait for each other may wake this one twice in a
        cycle after somebody was late: what is heard the second time is the cycle's own.
        """
        while self.midi_count and self.midi[self.midi_count - 1, 0] >= first:
            self.midi_count -= 1

    def _begin(self, frame_time: int) -> None:
        """Things that only the callback's own thread can do."""
        self.first_frame_time = frame_time
        if self._client.realtime:
            self.priority = "real-time priority from the JACK server"
        else:
            self.priority = system.ask_for_priority(system.ENGINE_PRIORITY).text

    def _note(self, frame: int, port: int, data: Any) -> None:
        row = self.midi_count
        if row >= len(self.midi):
            self.full = True
            return
        length = len(data)
        self.midi[row] = frame, port, length
        kept = min(length, _MESSAGE_BYTES)
        start = row * _MESSAGE_BYTES
        self.midi_bytes[start : start + kept] = data[:kept]
        self.midi_count = row + 1

    def xrun(self, delayed_us: float) -> None:
        """The server complains, in a thread of its own."""
        del delayed_us
        if self.xrun_count < _TROUBLES_MAX:
            self.xruns[self.xrun_count] = (self._client.frame_time - self.first_frame_time) & _MASK
            self.xrun_count += 1

    def result(self, *, cable: bool) -> dict[str, Any]:
        """What was heard, after the last callback; see `Heard`."""
        rate = self._client.samplerate
        heard = self.audio[:, : min(self.frames, self.audio.shape[1])]
        if cable:
            voices = click_voices(rate)
            onsets = [matched_onsets(samples, voices, rate=rate) for samples in heard]
        else:
            onsets = [digital_onsets(samples, rate=rate) for samples in heard]
        data = np.frombuffer(self.midi_bytes, dtype=np.uint8).reshape(-1, _MESSAGE_BYTES)
        return {
            "rate": np.array(rate),
            "block_frames": np.array(self._client.blocksize),
            "first_frame_time": np.array(self.first_frame_time),
            "frames": np.array(self.frames),
            "full": np.array(self.full),
            "priority": np.array(self.priority),
            "gaps": self.gaps[: self.gap_count],
            "xruns": self.xruns[: self.xrun_count],
            "blocks": self.blocks[: self.block_count],
            "midi": self.midi[: self.midi_count],
            "midi_bytes": data[: self.midi_count],
            **{f"clicks_{index}": frames for index, frames in enumerate(onsets)},
        }


def listen(job: ListenJob) -> None:
    """Hear until the host says stop, then save. Leaves without saving when the host is gone."""
    import jack

    try:
        client = jack.Client(CLIENT_NAME, no_start_server=True, servername=job.server)
    except jack.JackOpenError:
        raise DeviceError(f"the JACK server {job.server} does not answer") from None
    recorder = Recorder(client, job)
    client.set_process_callback(recorder.process)
    client.set_xrun_callback(recorder.xrun)
    gc.collect()
    gc.freeze()
    gc.disable()
    client.activate()
    for ports, names, midi in (
        (client.inports, job.audio, False),
        (client.midi_inports, job.midi, True),
    ):
        for port, name in zip(ports, names, strict=True):
            if name:
                client.connect(_find(client, name, midi=midi), port)
    answer({"ready": True})
    if sys.stdin.buffer.read(1) == STOP:
        client.deactivate()
        np.savez(job.path, **recorder.result(cable=job.cable))
        answer({"saved": True})


def _find(client: Any, name: str, *, midi: bool) -> Any:
    """The output port that is meant. Of several that fit a pattern, the one that came last."""
    there = client.get_ports(is_output=True, is_midi=midi, is_audio=not midi)
    fitting = [port for port in there if port.name == name or fnmatchcase(port.name, name)]
    if not fitting:
        names = ", ".join(port.name for port in there)
        raise DeviceError(
            f"no {'MIDI' if midi else 'audio'} port is called {name}", hint=f"there is {names}"
        )
    return fitting[-1]


def main() -> None:
    """Entry of the process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the host's business
    try:
        listen(pickle.load(sys.stdin.buffer))
    except SyncboxError as error:
        answer({"what": error.what, "where": error.where, "hint": error.hint})
    except Exception as error:  # the host says it
        answer({"what": f"the capture failed: {error!r}", "where": "", "hint": ""})
    sys.stdout.flush()
    os._exit(0)  # libjack waits for a server that has gone; nothing here needs an orderly end
