"""A driver without hardware: a virtual audio device that drifts, stalls and drops blocks.

Two ways to use it. `simulate` runs in virtual time, as fast as the machine goes,
and everything it does follows from its seed. `SimulatedDriver` does the same
beside the host's clock in the engine process, so that a show runs on a computer
with no audio at all.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from syncbox.drivers.choose import Choice
from syncbox.drivers.hostside import HostSide, NoPorts
from syncbox.engine.cycle import Cycle, Play
from syncbox.engine.records import Deck, SentEvent
from syncbox.units import NS_PER_SECOND

DEFAULT_BLOCK_FRAMES = 256
_FIRST_BLOCK_S = 5.0


class Clock(Protocol):
    """Host time, and how to wait for it."""

    def now_ns(self) -> int: ...
    def wait_until_ns(self, due_ns: int) -> None: ...


class VirtualClock:
    """Time that passes only when somebody waits. It does not start at zero on purpose."""

    def __init__(self, epoch_ns: int = 900_000_000_000) -> None:
        self._now_ns = epoch_ns

    def now_ns(self) -> int:
        return self._now_ns

    def wait_until_ns(self, due_ns: int) -> None:
        self._now_ns = max(self._now_ns, due_ns)


class HostClock:
    """The host's own clock."""

    def now_ns(self) -> int:
        return time.perf_counter_ns()

    def wait_until_ns(self, due_ns: int) -> None:
        if (left_ns := due_ns - time.perf_counter_ns()) > 0:
            time.sleep(left_ns / NS_PER_SECOND)


@dataclass(frozen=True, slots=True)
class Faults:
    """How the virtual device misbehaves. The same seed gives the same trouble.

    drift_ppm: how much faster its sample clock runs than the host's.
    jitter_us: each block comes up to this much late.
    stall_chance: probability, per block, that the computer is held up before it.
    stall_ms_max: longest of these. Blocks that could not be played are dropped.
    """

    seed: int = 0
    drift_ppm: float = 0.0
    jitter_us: float = 0.0
    stall_chance: float = 0.0
    stall_ms_max: float = 0.0


class Device:
    """The virtual sound card: says when each block is due and how many frames it has lost."""

    def __init__(self, clock: Clock, rate: int, block_frames: int, faults: Faults) -> None:
        self._clock = clock
        self._random = random.Random(faults.seed)
        self._faults = faults
        self._block_frames = block_frames
        self._frame_ns = NS_PER_SECOND / (rate * (1 + faults.drift_ppm * 1e-6))
        self._start_ns = clock.now_ns()
        self._frame = 0  # of the device; what was lost counts too

    def next_block(self) -> int:
        """Wait for the next block. Frames that went by unplayed before it, usually 0."""
        faults, clock = self._faults, self._clock
        due_ns = self._start_ns + int(self._frame * self._frame_ns)
        if faults.jitter_us:
            due_ns += int(self._random.uniform(0, faults.jitter_us) * 1000)
        if faults.stall_chance and self._random.random() < faults.stall_chance:
            due_ns += int(self._random.uniform(0, faults.stall_ms_max) * 1_000_000)
        clock.wait_until_ns(due_ns)
        # One block lies in the device's buffer: only what is later than that is lost.
        late_frames = (clock.now_ns() - self._start_ns) / self._frame_ns - self._frame
        lost = int(late_frames // self._block_frames) * self._block_frames
        lost = max(0, lost)
        self._frame += lost + self._block_frames
        return lost


@dataclass(slots=True)
class Recording:
    """What came out of a simulated run.

    `audio` has shape (outputs, frames), silent where frames were lost, or is None
    when it was not kept. `gaps` are (first lost frame, how many).
    """

    rate: int
    frames: int = 0
    events: list[SentEvent] = field(default_factory=list)
    gaps: list[tuple[int, int]] = field(default_factory=list)
    audio: NDArray[np.float32] | None = None


def simulate(
    play: Play,
    *,
    rate: int,
    frames: int,
    presses: Iterable[tuple[int, int]] = (),
    faults: Faults | None = None,
    block_frames: int = DEFAULT_BLOCK_FRAMES,
    keep_audio: bool = False,
) -> Recording:
    """Run an engine for at least `frames` frames of virtual time and record it.

    presses: (frame, command), ascending; each is pressed before the block that holds
    its frame. Host times of the events are those of the virtual clock.
    """
    clock = VirtualClock()
    device = Device(clock, rate, block_frames, faults or Faults())
    recording = Recording(rate)
    pieces: list[NDArray[np.float32]] = []
    waiting = list(presses)[::-1]
    frame = 0
    while frame < frames and not play.state.finished:
        lost = device.next_block()
        if lost:
            recording.gaps.append((frame, lost))
            frame += lost
            play.state.skip_to(frame)
        while waiting and waiting[-1][0] < frame + block_frames:
            play.state.press(waiting.pop()[1])
        block = play.render(play.state, frame, block_frames)
        for offset, port, data, why in block.midi:
            at_ns = clock.now_ns() + offset * NS_PER_SECOND // rate
            recording.events.append(SentEvent(frame + offset, at_ns, at_ns, port, data, why))
        if keep_audio:
            if lost:
                pieces.append(np.zeros((block.audio.shape[0], lost), np.float32))
            pieces.append(block.audio.copy())
        frame += block_frames
    recording.frames = frame
    if keep_audio:
        recording.audio = np.concatenate(pieces, axis=1) if pieces else None
    return recording


@dataclass(frozen=True, slots=True)
class SimulatedDriver:
    """The virtual device beside the host's clock, inside the engine process."""

    block_frames: int = DEFAULT_BLOCK_FRAMES
    faults: Faults = Faults()

    def open(self, cycle: Cycle, program: Any) -> Running:
        return Running(cycle, program.rate, self)


class Running:
    """The thread that plays the part of the audio callback."""

    def __init__(self, cycle: Cycle, rate: int, driver: SimulatedDriver) -> None:
        self._cycle = cycle
        self._rate = rate
        self._block_frames = driver.block_frames
        self._leaving = threading.Event()
        self._first_block = threading.Event()
        self._device = Device(HostClock(), rate, driver.block_frames, driver.faults)
        self._thread = threading.Thread(target=self._run, name="simulated-audio", daemon=True)
        self._thread.start()
        self._first_block.wait(_FIRST_BLOCK_S)  # a host that is told "ready" finds a status

    @property
    def facts(self) -> Mapping[str, Any]:
        return {
            "device": "no audio device",
            "rate": self._rate,
            "block_frames": self._block_frames,
            "priority": "normal priority: nothing is heard, so nothing depends on it",
        }

    def _run(self) -> None:
        cycle, wanted = self._cycle, self._block_frames
        try:
            while not self._leaving.is_set() and not cycle.finished:
                lost = self._device.next_block()
                started_ns = cycle.now_ns()
                if cycle.resuming:
                    lost = cycle.frames_since_snapshot(started_ns, self._rate)
                block = cycle.begin(wanted, lost, started_ns)
                first = cycle.pulse.frame
                for offset, port, data, why in block.midi:
                    at_ns = started_ns + offset * NS_PER_SECOND // self._rate
                    cycle.sent(first + offset, port, data, why, at_ns=at_ns)
                cycle.end(wanted, started_ns)
                self._first_block.set()
        except Exception as error:  # the snapshot and the host say it
            cycle.fail(error)

    def close(self) -> None:
        self._leaving.set()
        self._thread.join(1.0)


def plug(choice: Choice, program: Any, deck: Deck) -> tuple[SimulatedDriver, HostSide]:
    """Both sides of this driver for a session."""
    del deck
    block_frames = choice.block_frames or DEFAULT_BLOCK_FRAMES
    return SimulatedDriver(block_frames), NoPorts(program.rig)
