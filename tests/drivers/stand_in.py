"""A tiny engine for tests of the plumbing: what it plays can be written down in one line.

While it runs, output 0 has a click (one sample of 0.5) every BEAT_FRAMES frames of its
own frame count, and port 0 gets a clock every CLOCK_FRAMES, on the same frames.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np

from syncbox.drivers.session import EngineKind
from syncbox.engine.cycle import Play
from syncbox.score.rig import Instrument, MidiPort, Mix, Rig

BEAT_FRAMES, CLOCK_FRAMES = 24_000, 1_000
LONG_SYSEX = bytes((0xF0, 0x7D, *range(100), 0xF7))


class Press(IntEnum):
    START, STOP, SYSEX, BREAK, QUIT = range(5)


@dataclass
class Program:
    rig: Rig
    rate: int = 48_000

    @property
    def output_count(self) -> int:
        return self.rig.output_count


def program(*matches: str, outputs: int = 2, rate: int = 48_000) -> Program:
    ports = tuple(
        MidiPort(f"box-{index}", match, clock=True, start_stop=True)
        for index, match in enumerate(matches or ("nothing",))
    )
    instruments = (Instrument("organ", "box-0", 3),)
    mixes = (Mix("all", tuple(range(1, outputs + 1)), {}),)
    return Program(Rig(ports=ports, instruments=instruments, mixes=mixes), rate)


@dataclass
class Now:
    transport: int = 0
    beats: int = 0
    skipped: int = 0
    level_db: float = -12.0


@dataclass
class State:
    outputs: int
    now: Now = field(default_factory=Now)
    finished: bool = False
    quitting: bool = False
    pending: list[tuple[int, int, bytes, str]] = field(default_factory=list)
    broken: bool = False

    def press(self, command: int) -> None:
        if command == Press.START:
            self.now.transport = 1
            self.pending.append((0, 0, b"\xfa", "start"))
        elif command in (Press.STOP, Press.QUIT):
            self.now.transport = 0
            self.pending.append((0, 0, b"\xfc", "stop"))
            self.quitting = command == Press.QUIT
        elif command == Press.SYSEX:
            self.pending.append((0, 0, LONG_SYSEX, "sysex"))
        elif command == Press.BREAK:
            self.broken = True

    def skip_to(self, frame: int) -> None:
        self.now.skipped += 1


class Block:
    def __init__(self, audio, midi):
        self.audio, self.midi = audio, midi


def render(state: State, first_frame: int, frame_count: int) -> Block:
    if state.broken:
        raise ZeroDivisionError("this engine was asked to break")
    audio = np.zeros((state.outputs, frame_count), np.float32)
    midi, state.pending = state.pending, []
    if state.quitting:
        state.finished = True
    if state.now.transport:
        for frame in range(
            -(-first_frame // CLOCK_FRAMES) * CLOCK_FRAMES, first_frame + frame_count, CLOCK_FRAMES
        ):
            midi.append((frame - first_frame, 0, b"\xf8", "clock"))
            if frame % BEAT_FRAMES == 0:
                audio[:, frame - first_frame] = 0.5
                state.now.beats += 1
    return Block(audio, midi)


def make(program: Program, **_: object) -> Play:
    state = State(program.output_count)
    return Play(state, render, Press.START, Press.QUIT, still=lambda state: not state.now.transport)


KIND = EngineKind(make, Now)


def broken_maker(program: Program, **_: object) -> Play:
    raise ZeroDivisionError("no engine today")


BROKEN_KIND = EngineKind(broken_maker, Now)
