"""The host's hand on the capture process, and what comes back from it."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from syncbox.drivers.child import Child
from syncbox.lab.listener import STOP, ListenJob
from syncbox.lab.statistics import Frames

_READY_S, _SAVE_S = 30.0, 60.0
_MASK = 0xFFFF_FFFF


@dataclass(frozen=True, slots=True)
class Heard:
    """Everything that a capture heard, in frames from its first block.

    clicks: one array of onsets for each audio port, shape (n,). midi: shape (m, 3) of
    frame, port and length; midi_bytes: shape (m, 4), the first bytes of each message.
    gaps: shape (g, 2), first frame that was missed and how many; xruns: shape (x,),
    about when the server complained of anyone. blocks: shape (b, 2), first frame of each
    callback and the host time in ns at which it was called.
    """

    rate: int
    block_frames: int
    first_frame_time: int  # JACK's number of frame 0
    frames: int
    full: bool  # it went on longer than there was room
    priority: str
    clicks: tuple[Frames, ...]
    midi: NDArray[np.int64]
    midi_bytes: NDArray[np.uint8]
    gaps: NDArray[np.int64]
    xruns: Frames
    blocks: NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, 2), dtype=np.int64))

    def messages(self, port: int, status: int) -> Frames:
        """Frames of the messages with a status byte on a port, shape (n,), as they came."""
        wanted = (self.midi[:, 1] == port) & (self.midi_bytes[:, 0] == status)
        frames: Frames = self.midi[wanted, 0]
        return frames

    def frame_of(self, frame_time: int) -> int:
        """JACK's 32-bit frame number as a frame of this capture; may be negative."""
        ahead = (frame_time - self.first_frame_time) & _MASK
        return ahead - (_MASK + 1) if ahead > _MASK // 2 else ahead


class Capture:
    """A running capture. Close it, or use it as a context manager."""

    def __init__(self, job: ListenJob) -> None:
        """Start it and wait until it hears. Raises DeviceError where a port is not there."""
        self._folder = tempfile.TemporaryDirectory(prefix="syncbox-capture-")
        self._path = Path(self._folder.name) / "heard.npz"
        self._child: Child | None = None
        try:
            self._child = Child(
                "capture", "syncbox.lab.listener", replace(job, path=str(self._path))
            )
            self._child.answer(patience_s=_READY_S)
        except BaseException:
            self.close()
            raise

    def stop(self) -> Heard:
        """End the capture and read what it heard."""
        assert self._child is not None
        self._child.tell(STOP)
        self._child.answer(patience_s=_SAVE_S)
        with np.load(self._path) as found:
            return _heard(dict(found))

    def close(self) -> None:
        """Let go of the process and its file. Safe to repeat."""
        if self._child is not None:
            self._child.leave(patience_s=1.0)
            self._child.close()
            self._child = None
        self._folder.cleanup()

    def __enter__(self) -> Capture:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _heard(found: dict[str, NDArray[Any]]) -> Heard:
    ports = sum(name.startswith("clicks_") for name in found)
    return Heard(
        rate=int(found["rate"]),
        block_frames=int(found["block_frames"]),
        first_frame_time=int(found["first_frame_time"]),
        frames=int(found["frames"]),
        full=bool(found["full"]),
        priority=str(found["priority"]),
        clicks=tuple(found[f"clicks_{index}"] for index in range(ports)),
        midi=found["midi"],
        midi_bytes=found["midi_bytes"],
        gaps=found["gaps"],
        xruns=found["xruns"],
        blocks=found["blocks"],
    )
