"""Sound on its way from the engine's callback to a take: a ring in shared memory.

PortAudio has no client beside the engine that could record in lock with it, so the
engine's own callback copies its inputs here and does nothing else with them. Frames are
numbered as the engine numbers its own, and stand where their number says. An engine that
is replaced goes on with the old one's frames, and what nobody recorded is silent. Readers
never hold up the writer: one that is slower than the ring loses sound, and knows how much.

A block is recorded before the sound of the same block is heard: by the time from the input
to the callback and from there to the output. The audio system tells both with each block.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from syncbox.engine.shared import Segment

RING_SECONDS = 20
LATENCIES = 64  # blocks of which the time from input to output is kept
_UPTO, _LOST, _BLOCKS = range(3)
_HEAD = 8
_WORDS = _HEAD + LATENCIES
_UNKNOWN = -1


@dataclass(frozen=True, slots=True)
class TapeJob:
    """Where the ring is, and what of which device goes onto it.

    `channels` count from 1, in the order in which they lie in the ring.
    """

    segment: str
    device: str
    device_index: int
    channels: tuple[int, ...]
    rate: int


class Tape:
    """The ring, for its one writer or for a reader."""

    def __init__(self, job: TapeJob, segment: Segment, *, fresh: bool = False) -> None:
        """`fresh`: by whoever made the segment, before anybody writes."""
        count = len(job.channels)
        self.job = job
        self.size = RING_SECONDS * job.rate
        self._segment = segment
        self._view = segment.view(0, size_of(job))
        self._words: Any = np.frombuffer(self._view, np.int64, _WORDS)
        ring = np.frombuffer(self._view, np.float32, self.size * count, _WORDS * 8)
        self._ring: Any = ring.reshape(self.size, count)
        self._columns = [(column, channel - 1) for column, channel in enumerate(job.channels)]
        if fresh:
            self._words[:] = 0
            self._words[_UPTO] = _UNKNOWN
            ring.fill(0.0)  # every page is there before the callback writes to it

    @classmethod
    def create(cls, job: TapeJob) -> Tape:
        """The ring of a job whose segment has no name yet. Raises EngineError without room."""
        segment = Segment.create(size_of(job))
        return cls(replace(job, segment=segment.name), segment, fresh=True)

    @classmethod
    def attach(cls, job: TapeJob) -> Tape:
        """The same, made by another process."""
        return cls(job, Segment.attach(job.segment))

    # --- in the callback ----------------------------------------------------------------------

    def put(self, frame: int, sound: Any, latency_frames: int) -> None:
        """A block of the engine that begins at `frame`, and what came in for it: (n, channels)."""
        words, count = self._words, len(sound)
        if words[_UPTO] == _UNKNOWN:
            words[_UPTO] = frame
        lost = frame - int(words[_UPTO])
        if lost > 0:
            self._silence(frame - min(lost, self.size), frame)
            words[_LOST] += lost
        first = frame % self.size
        head = min(count, self.size - first)
        for column, channel in self._columns:
            self._ring[first : first + head, column] = sound[:head, channel]
            if head < count:
                self._ring[: count - head, column] = sound[head:, channel]
        words[_HEAD + words[_BLOCKS] % LATENCIES] = latency_frames
        words[_BLOCKS] += 1
        words[_UPTO] = frame + count

    def _silence(self, begin: int, end: int) -> None:
        """Frames that never came are silent, so that the rest stays in its place."""
        first, count = begin % self.size, end - begin
        head = min(count, self.size - first)
        self._ring[first : first + head] = 0.0
        self._ring[: count - head] = 0.0

    # --- for a reader -------------------------------------------------------------------------

    @property
    def upto(self) -> int:
        """The frame after the last that was recorded; -1 before the first."""
        return int(self._words[_UPTO])

    @property
    def lost_frames(self) -> int:
        """Frames that never came, since the first."""
        return int(self._words[_LOST])

    @property
    def settled(self) -> bool:
        """Whether so many blocks came that their latency can be told."""
        return bool(self._words[_BLOCKS] >= LATENCIES)

    @property
    def latency_frames(self) -> int:
        """From the input to the output: the middle one of the newest blocks."""
        count = min(int(self._words[_BLOCKS]), LATENCIES)
        return int(np.median(self._words[_HEAD : _HEAD + count])) if count else 0

    def copy(self, begin: int, end: int, columns: tuple[int, ...]) -> tuple[Any, int]:
        """(sound of some frames, how many of them were overwritten before: those are silent).

        `end` is at most `upto`.
        """
        place = np.arange(begin, end) % self.size
        sound = self._ring[place][:, list(columns)]
        gone = min(max(0, self.upto - self.size - begin), end - begin)
        sound[:gone] = 0.0
        return sound, gone

    def close(self) -> None:
        """Let go of the memory; whoever made the segment removes it. Safe to repeat."""
        self._words = self._ring = None
        self._view.release()
        self._segment.close()


def size_of(job: TapeJob) -> int:
    """Bytes of the segment."""
    return _WORDS * 8 + RING_SECONDS * job.rate * len(job.channels) * 4
