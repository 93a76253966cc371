"""Long sounds that stay in their prepared files and are mapped into memory, not read.

Sixteen stems of a song are more than a gigabyte, and a night has thirty songs. Mapped,
they cost no memory of their own: the system keeps what was read lately and lets go of
the rest. What travels to the engine's process is the name of the file.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Sound = NDArray[np.float32]


class PlaceInFile(NamedTuple):
    """Where an array lies in a file: bytes to its first value, shape, and strides in bytes."""

    path: str
    offset: int
    shape: tuple[int, ...]
    strides: tuple[int, ...]

    def row_bytes(self, row: int, first: int, count: int) -> tuple[int, int]:
        """Bytes in the file (offset, length) of some frames of a row, cut to what there is."""
        frames = self.shape[1]
        begin, end = min(max(0, first), frames), min(max(0, first + count), frames)
        at = self.offset + row * self.strides[0] + begin * self.strides[1]
        return at, (end - begin) * self.strides[1]


def map_sound(path: str, offset: int, shape: tuple[int, ...], strides: tuple[int, ...]) -> Sound:
    """A part of a file as float32, read-only. Raises OSError or ValueError."""
    whole = np.memmap(path, dtype=np.uint8, mode="r")
    return np.ndarray(shape, np.float32, buffer=whole, offset=offset, strides=strides)


def place_in_file(sound: object) -> PlaceInFile | None:
    """Where a mapped sound, or a part of one, lies; None for anything that is in memory."""
    found = sound
    while isinstance(sound, np.ndarray) and isinstance(found, np.ndarray):
        if isinstance(found, np.memmap) and not isinstance(found.base, np.ndarray):
            offset = sound.ctypes.data - found.ctypes.data + found.offset
            return PlaceInFile(str(found.filename), offset, sound.shape, sound.strides)
        found = found.base
    return None
