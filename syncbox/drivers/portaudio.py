"""Audio by a PortAudio callback in the engine process, MIDI by a sender with deadlines.

PortAudio knows no MIDI, so the frame of every event is mapped to host time: each
callback is told when its first frame will be heard, a delay-locked loop smooths
that, and the sender process sends at the moment found. The host tells the sender
which of the system's ports to open, from what a watching helper process sees.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from syncbox.drivers import system
from syncbox.drivers.choose import Choice
from syncbox.drivers.dll import Tracker, follow, moved, time_of_frame, track
from syncbox.drivers.gaps import GapFinder
from syncbox.drivers.hostside import HostSide
from syncbox.drivers.midiports import MidiPorts
from syncbox.drivers.tape import Tape, TapeJob
from syncbox.engine.cycle import Cycle
from syncbox.engine.records import Deck, Health
from syncbox.errors import DeviceError
from syncbox.units import NS_PER_SECOND

_FIRST_BLOCK_S = 5.0
_AHEAD_PART = 0.01  # of what the way to the ear is now, taken into its mean with each block
_ARRIVING_BLOCKS = 8  # of silence, after which an engine that follows another knows the time


@dataclass(frozen=True, slots=True)
class PortAudioDriver:
    """The engine's half. `block_frames` 0 lets PortAudio choose."""

    device: str
    device_index: int
    block_frames: int
    tape: TapeJob | None = None  # what is recorded beside

    def open(self, cycle: Cycle, program: Any) -> Running:
        import sounddevice

        output = _find(sounddevice, "output", self.device, self.device_index)
        tape = self.tape
        into = _find(sounddevice, "input", tape.device, tape.device_index) if tape else (-1, 0)
        try:
            return Running(sounddevice, (output, into), self, cycle, program)
        except sounddevice.PortAudioError as error:
            beside = tape is not None and tape.device != self.device
            raise DeviceError(
                f"{self.device} could not be opened: {error.args[0]}",
                hint="one that records and one that plays do not always go together: "
                "use an interface that does both"
                if beside
                else "is another program using it, or does it not know this sample rate?",
            ) from None


def _find(sounddevice: Any, way: str, name: str, likely: int) -> tuple[int, int]:
    """Number and channels of a device: what was found by another process may have moved."""
    devices = list(sounddevice.query_devices())
    for index in sorted(range(len(devices)), key=lambda index: index != likely):
        channels = devices[index][f"max_{way}_channels"]
        if devices[index]["name"] == name and channels > 0:
            return index, channels
    raise DeviceError(f"the audio device {name} is gone", hint="plug it in again")


class DacClock:
    """Maps frames of the engine to host time, from what each callback is told.

    Times in a callback are in the stream's own seconds; only their difference to the
    stream's "now" is used, because the host's clock may have another zero.
    """

    def __init__(self, rate: int, latency_s: float) -> None:
        self._rate = rate
        self._latency_s = latency_s
        self._zero_ns = 0
        self._tracker: Tracker | None = None
        self._ahead_s = latency_s  # from a callback to its sound, smoothed

    def heard_s(self, now_ns: int, ahead_s: float) -> float:
        """When a block is heard that the callback at `now_ns` was told is `ahead_s` away."""
        if not self._zero_ns:
            self._zero_ns = now_ns
        # Some host systems tell no time; then the stream's fixed latency has to do.
        ahead = ahead_s if ahead_s > 0 else self._latency_s
        return (now_ns - self._zero_ns) / NS_PER_SECOND + ahead

    def host_ns(self, heard_s: float) -> int:
        """The same moment on the host's clock."""
        return self._zero_ns + round(heard_s * NS_PER_SECOND)

    def block(self, frame: int, frame_count: int, heard_s: float) -> None:
        """Take in one callback."""
        tracker = self._tracker
        if tracker is None:
            self._tracker = track(self._rate, frame, frame_count, heard_s)
            return
        lost = frame - tracker.loop.n1
        if lost > 0:  # a gap: what comes is heard that much later
            tracker = moved(tracker, lost, lost / self._rate)
        self._tracker = follow(tracker, frame, frame_count, heard_s)

    def turn_ns(self, frame: int, now_ns: int, heard_s: float) -> int:
        """When a block's turn came by the card's own pace; `now_ns` is late by some jitter."""
        ahead_s = heard_s - (now_ns - self._zero_ns) / NS_PER_SECOND
        if self._tracker is None:
            self._ahead_s = ahead_s
            return now_ns
        self._ahead_s += (ahead_s - self._ahead_s) * _AHEAD_PART
        return self.due_ns(frame) - round(self._ahead_s * NS_PER_SECOND)

    def due_ns(self, frame: int) -> int:
        """Host time at which a frame near the present block is heard."""
        assert self._tracker is not None
        return self._zero_ns + int(time_of_frame(self._tracker.loop, frame) * NS_PER_SECOND)


class Running:
    """A stream whose callback is the engine."""

    def __init__(
        self,
        sounddevice: Any,
        found: tuple[tuple[int, int], tuple[int, int]],
        driver: PortAudioDriver,
        cycle: Cycle,
        program: Any,
    ) -> None:
        """`found`: number and channels of the device that plays, and of the one that records."""
        (index, outputs), (input_index, _) = found
        self._sounddevice = sounddevice
        self._cycle = cycle
        self._rate = program.rate
        self._wanted = program.output_count
        self._driver = driver
        self._played = max(1, min(outputs, program.output_count))
        self._priority = ""
        self._first_block = threading.Event()
        self._closing = False
        self._arrived, self._earliest_s = 0, math.inf  # of an engine that follows another
        self._silent_frames = 0  # until what was made too much has been made up for
        self._tape = Tape.attach(driver.tape) if driver.tape else None
        common: dict[str, Any] = {
            "samplerate": program.rate,
            "blocksize": driver.block_frames,
            "dtype": "float32",
            "latency": "low",
            "finished_callback": self._ended,
        }
        if driver.tape is None:
            self._stream = sounddevice.OutputStream(
                device=index, channels=self._played, callback=self._call, **common
            )
            latency_s, self._chain_frames = float(self._stream.latency), 0
        else:
            self._stream = sounddevice.Stream(
                device=(input_index, index),
                channels=(max(driver.tape.channels), self._played),
                callback=self._call_both,
                **common,
            )
            latency_s = float(self._stream.latency[1])
            self._chain_frames = round(sum(self._stream.latency) * program.rate)
        self._clock = DacClock(program.rate, latency_s)
        self._gaps = GapFinder(program.rate)
        self._memory = system.lock_memory().text
        self._stream.start()
        self._first_block.wait(_FIRST_BLOCK_S)

    @property
    def facts(self) -> Mapping[str, Any]:
        missing = self._wanted - self._played
        return {
            "device": self._driver.device,
            "rate": round(self._stream.samplerate),
            "block_frames": self._cycle.pulse.block_frames,
            "priority": self._priority,
            "memory": self._memory,
            "notes": [
                f"{self._driver.device} has {self._played} outputs: "
                f"the last {missing} of the rig's {self._wanted} are not heard."
            ]
            if missing > 0
            else [],
        }

    def _call_both(self, heard: Any, out: Any, frame_count: int, times: Any, status: Any) -> None:
        """Play, and keep what came in for the frames of the block."""
        before = self._cycle.pulse.blocks
        self._call(out, frame_count, times, status)
        pulse = self._cycle.pulse
        if pulse.blocks == before or self._tape is None:
            return  # the block was no block of the engine's
        # The sound came in before the callback, and what is played now is heard after it.
        told_s = times.outputBufferDacTime - times.inputBufferAdcTime
        known = times.inputBufferAdcTime > 0 and told_s > 0
        latency = round(told_s * self._rate) if known else self._chain_frames
        self._tape.put(pulse.block_start_frame, heard, latency)

    def _call(self, out: Any, frame_count: int, times: Any, status: Any) -> None:
        cycle = self._cycle
        started_ns = cycle.now_ns()
        if cycle.finished:
            out.fill(0)
            return
        try:
            ahead_s = times.outputBufferDacTime - times.currentTime
            heard_s = self._clock.heard_s(started_ns, ahead_s)
            # Some host systems tell no time of the card; then the host's has to do.
            card_s = times.outputBufferDacTime if times.outputBufferDacTime > 0 else heard_s
            if cycle.resuming:
                lost = self._frames_away(heard_s, frame_count, started_ns)
                if lost < 0:
                    out.fill(0)
                    return
            else:
                cycle.pulse.xruns += bool(status)
                lost = self._lost_frames(card_s, frame_count, underflow=bool(status))
                if lost < 0:
                    out.fill(0)
                    return
            began_ns = self._clock.turn_ns(self._own_count, started_ns, heard_s)
            cycle.hear_arrivals(frame_count, began_ns, self._rate)
            block = cycle.begin(frame_count, lost, started_ns)
            played = self._played
            out[:] = block.audio[:played].T if block.audio.shape[0] else 0
            self._gaps.block(self._own_count, frame_count, card_s)
            self._hand_over(block.midi, frame_count, heard_s)
            cycle.end(frame_count, started_ns)
        except Exception as error:  # the snapshot and the host say it
            cycle.fail(error)
            out.fill(0)
        if not self._first_block.is_set():
            grant = system.ask_for_callback_priority(system.ENGINE_PRIORITY)
            self._priority = grant.text
            self._first_block.set()

    @property
    def _own_count(self) -> int:
        """The first frame of the block as this card counts: a spare's engine is numbered anew."""
        pulse = self._cycle.pulse
        return pulse.frame - pulse.shift_frames

    def _lost_frames(self, card_s: float, frame_count: int, *, underflow: bool) -> int:
        """Frames lost before this block; negative where the block must stay silent."""
        if not self._silent_frames:
            lost = self._gaps.lost_frames(card_s, underflow=underflow)
            if lost >= 0:
                return lost
            self._silent_frames = -lost
        self._silent_frames = max(0, self._silent_frames - frame_count)
        return -frame_count

    def _frames_away(self, heard_s: float, frame_count: int, started_ns: int) -> int:
        """Frames since the engine before this one; -1 while it cannot be told well yet.

        A callback may be late, never early, so the earliest of some is believed.
        """
        block_s = frame_count / self._rate
        self._earliest_s = min(self._earliest_s, heard_s - self._arrived * block_s)
        self._arrived += 1
        if self._arrived < _ARRIVING_BLOCKS:
            return -1
        heard_s = self._earliest_s + (self._arrived - 1) * block_s
        heard_ns = self._clock.host_ns(heard_s)
        return self._cycle.frames_since_snapshot(started_ns, self._rate, heard_ns=heard_ns)

    def _hand_over(
        self, midi: list[tuple[int, int, bytes, str]], frame_count: int, heard_s: float
    ) -> None:
        cycle, clock = self._cycle, self._clock
        first_frame, own_count = cycle.pulse.frame, self._own_count
        clock.block(own_count, frame_count, heard_s)
        cycle.pulse.heard_ns = clock.due_ns(own_count)
        for offset, port, data, why in midi:
            frame = first_frame + offset
            if why == "played":  # by hand: at once, not when the block is heard
                cycle.play_now(frame, port, data, why, due_ns=cycle.pulse.block_ns)
                continue
            cycle.hand_over(frame, port, data, why, due_ns=clock.due_ns(own_count + offset))

    def _ended(self) -> None:
        if not self._closing and not self._cycle.finished:
            self._cycle.stop_with(Health.AUDIO_LOST)

    def close(self) -> None:
        self._closing = True
        self._stream.stop()
        self._stream.close()
        # This process ends without the interpreter's farewell, which would do it otherwise.
        self._sounddevice._terminate()


def plug(choice: Choice, program: Any, deck: Deck) -> tuple[PortAudioDriver, HostSide]:
    """Both halves for a session."""
    driver = PortAudioDriver(choice.device, choice.device_index, choice.block_frames, choice.tape)
    return driver, MidiPorts(deck, program.rig)
