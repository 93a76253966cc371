"""WAV files that come out the same on every run, to the byte.

24-bit PCM, written here rather than by libsndfile, which cuts floats off toward minus
infinity and cannot name markers. A value is multiplied by 2^23, rounded to the
nearest integer (exact halves to the even one) and held within the 24 bits: no dither,
no date, no name of a program in the file.

Markers are a `cue ` chunk with the frame of each and a `LIST adtl` chunk with their
names, after the sound (Multimedia Programming Interface and Data Specifications 1.0,
1991, the WAVE pages). A loop is a `smpl` chunk (the register of 1994, added 1993); its
last frame is played too. The file appears under its name when it is complete.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from syncbox.errors import ShowError

BYTES_PER_SAMPLE = 3
FULL_SCALE = 1 << 23
SIZE_MAX = 0xFFFF_FFFF - (1 << 20)  # RIFF sizes are 32 bits; a megabyte is left for markers

_HEAD = struct.Struct("<4sI4s4sIHHIIHH4sI")
_PCM = 1
_MIDDLE_C = 60


@dataclass(frozen=True, slots=True)
class Marker:
    """A named frame of the file."""

    frame: int
    name: str


@dataclass(frozen=True, slots=True)
class Loop:
    """Frames that are played over and over without an end, the last one included."""

    first_frame: int
    last_frame: int


class WavWriter:
    """Writes float32 blocks of shape (channels, n) one after the other.

    Used in a `with` statement; the file is complete when that ends without an error,
    and leaves nothing behind when it ends with one. `markers` and `loops` may be filled
    until then.
    """

    def __init__(self, path: Path, *, rate: int, channel_count: int) -> None:
        self.path, self.rate, self.channel_count = path, rate, channel_count
        self.frame_count = 0
        self.markers: list[Marker] = []
        self.loops: list[Loop] = []
        self._part = path.with_name(path.name + ".part")
        self._file = self._part.open("wb")
        self._scaled = np.empty(0, np.float32)
        self._whole = np.empty(0, "<i4")
        self._packed = np.empty((0, BYTES_PER_SAMPLE), np.uint8)
        self._file.write(self._head(0))

    def write(self, block: NDArray[np.float32]) -> None:
        """Append a block. Raises ShowError where the file would outgrow its format."""
        channel_count, frame_count = block.shape
        assert channel_count == self.channel_count, block.shape
        end = self.frame_count + frame_count
        if end * channel_count * BYTES_PER_SAMPLE > SIZE_MAX:
            raise ShowError(
                "the sound is longer than a WAV file can hold (4 GB)",
                where=str(self.path),
                hint="render the songs one by one or at a lower rate",
            )
        self._file.write(self._pack(block).data)
        self.frame_count = end

    def __enter__(self) -> WavWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._file:
            if kind is None:
                self._finish()
        if kind is None:
            self._part.replace(self.path)
        else:
            self._part.unlink(missing_ok=True)

    def _pack(self, block: NDArray[np.float32]) -> NDArray[np.uint8]:
        """The block as interleaved 24-bit bytes, valid until the next call.

        Three passes over memory: scale and interleave, round and hold, split into bytes.
        """
        count = block.size
        if count > len(self._whole):
            self._scaled, self._whole = np.empty(count, np.float32), np.empty(count, "<i4")
            self._packed = np.empty((count, BYTES_PER_SAMPLE), np.uint8)
        scaled, whole, packed = self._scaled[:count], self._whole[:count], self._packed[:count]
        np.multiply(block.T, np.float32(FULL_SCALE), out=scaled.reshape(block.shape[::-1]))
        np.rint(scaled, out=scaled)
        np.clip(scaled, -FULL_SCALE, FULL_SCALE - 1, out=scaled)
        whole[:] = scaled
        parts = whole.view(np.uint8).reshape(count, 4)
        for byte in range(BYTES_PER_SAMPLE):
            packed[:, byte] = parts[:, byte]
        return packed

    def _finish(self) -> None:
        data_size = self.frame_count * self.channel_count * BYTES_PER_SAMPLE
        if data_size % 2:
            self._file.write(b"\0")
        self._file.write(_loop_chunk(self.loops, self.rate))
        self._file.write(_marker_chunks(self.markers))
        end = self._file.tell()
        self._file.seek(0)
        self._file.write(self._head(end - 8, data_size))
        self._file.flush()
        os.fsync(self._file.fileno())

    def _head(self, riff_size: int, data_size: int = 0) -> bytes:
        frame_bytes = self.channel_count * BYTES_PER_SAMPLE
        bits = 8 * BYTES_PER_SAMPLE
        form = (_PCM, self.channel_count, self.rate, self.rate * frame_bytes, frame_bytes, bits)
        return _HEAD.pack(b"RIFF", riff_size, b"WAVE", b"fmt ", 16, *form, b"data", data_size)


def _loop_chunk(loops: Sequence[Loop], rate: int) -> bytes:
    """The `smpl` chunk, or nothing where there are no loops.

    The sample period is in ns, cut off as the register's own example is (22675 for
    44.1 kHz); middle C is the note at which the sound has its own pitch.
    """
    if not loops:
        return b""
    head = struct.pack("<9I", 0, 0, 1_000_000_000 // rate, _MIDDLE_C, 0, 0, 0, len(loops), 0)
    rows = (
        struct.pack("<6I", number, 0, loop.first_frame, loop.last_frame, 0, 0)
        for number, loop in enumerate(loops, start=1)
    )
    return _chunk(b"smpl", head + b"".join(rows))


def _marker_chunks(markers: Sequence[Marker]) -> bytes:
    """The `cue ` and `LIST adtl` chunks, or nothing where there are no markers."""
    if not markers:
        return b""
    points, labels = [struct.pack("<I", len(markers))], [b"adtl"]
    for number, marker in enumerate(markers, start=1):
        points.append(struct.pack("<II4sIII", number, marker.frame, b"data", 0, 0, marker.frame))
        text = marker.name.encode("utf-8") + b"\0"
        labels.append(_chunk(b"labl", struct.pack("<I", number) + text))
    return _chunk(b"cue ", b"".join(points)) + _chunk(b"LIST", b"".join(labels))


def _chunk(name: bytes, body: bytes) -> bytes:
    """A RIFF chunk, padded to even length; the pad byte is not counted."""
    return struct.pack("<4sI", name, len(body)) + body + b"\0" * (len(body) % 2)
