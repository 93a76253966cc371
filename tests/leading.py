"""Another box that leads: what it sends, when it arrives, and an engine that hears it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from building import RIG, Engine, program_of, section, song
from numpy.typing import NDArray

from syncbox.score.rig import Rig
from syncbox.score.song import Song

CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"
RATE = 48_000
MS = RATE / 1000
PRE = 60  # clocks before the start
TAIL = 400  # frames from the end of a run of blocks to the next clock
FOLLOWING_RIG: Rig = replace(RIG, input_ports={"pads": "pads", "box": "box"}, follow="box")


def position(value: int) -> bytes:
    """Song position."""
    return bytes((0xF2, value & 0x7F, value >> 7))


def clock_frames(first: float, tempi_qpm: Sequence[float]) -> NDArray[np.float64]:
    """Frames of clocks, each with the tempo that holds up to the next one."""
    steps = 60 * RATE / 24 / np.asarray(tempi_qpm, dtype=np.float64)
    return first + np.concatenate([[0.0], np.cumsum(steps)[:-1]])


@dataclass
class Box:
    """Messages with the frame at which they were meant and the one at which they arrive."""

    sent: list[tuple[float, float, bytes]] = field(default_factory=list)

    def say(self, frame: float, message: bytes) -> None:
        self.sent.append((frame, frame, message))

    def clocks(self, frames: Sequence[float], jitter: Sequence[float] | float = 0.0) -> None:
        late = np.broadcast_to(np.asarray(jitter, dtype=np.float64), len(frames))
        self.sent += [(at, at + by, CLOCK) for at, by in zip(frames, late, strict=True)]

    def in_order(self) -> list[tuple[int, bytes]]:
        """As they arrive: a cable does not let one message overtake another."""
        rows = sorted(self.sent, key=lambda row: row[0])
        arrivals = np.maximum.accumulate([arrival for _, arrival, _ in rows])
        return [
            (round(float(at)), message) for at, (_, _, message) in zip(arrivals, rows, strict=True)
        ]


def follow_box(engine: Engine, box: Box, frames: int) -> None:
    """Turn an engine up to a frame while it hears a box on the input `box`."""
    index = list(engine.program.rig.input_ports).index("box")
    coming = box.in_order()
    while engine.state.next_frame < frames:
        first = engine.state.next_frame
        while coming and coming[0][0] < first + engine.block_frames:
            frame, message = coming.pop(0)
            engine.state.hear(max(0, frame - first), index, message)
        engine.turn()


def clicks(engine: Engine, channel: int = 0) -> NDArray[np.int64]:
    """Frames at which a click begins on an output."""
    sound = np.concatenate(engine.audio, axis=1)[channel]
    loud = np.flatnonzero(sound)
    return loud[np.concatenate([[True], np.diff(loud) > 2000])] if len(loud) else loud


def engine_of(*written: Song, **more: object) -> Engine:
    return Engine(program_of(*written, rig=FOLLOWING_RIG, **more))  # type: ignore[arg-type]


def plain(bars: int = 4, **more: object) -> Song:
    return song(section("A", bars), section("B", bars), **more)


def box_from(box: Box, frame: int) -> Box:
    return Box([row for row in box.sent if row[1] >= frame])


def told(engine: Engine, port: int = 0) -> list[str]:
    kinds = ("start", "stop", "continue", "song position")
    return [why for _, at, _, why in engine.midi if at == port and why in kinds]


def errors_ms(engine: Engine, true: np.ndarray) -> np.ndarray:
    return (np.array(engine.frames("clock")) - true) / MS
