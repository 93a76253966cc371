"""Prepared sounds kept in a hidden folder beside the show, named by what they are made from.

An entry's name is a hash of the source's content and of everything that was done to
it, so what is there never has to be asked whether it is current. Each file is
written under another name and then renamed, so two programs that prepare at once only
do the same work twice. Its own hash stands in its head: a damaged file is made
again. The whole folder may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import struct
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from syncbox.audio.clips import CHANNELS_MAX
from syncbox.audio.mapped import map_sound
from syncbox.audio.onsets import Sound

FOLDER = ".prepared"
_MAGIC = b"syncbox prepared 1\n"
_HEAD = struct.Struct("<19s32sII")  # magic, hash of the rest, channels, reserved
HEAD_BYTES = 4096  # the samples begin on a page
_READ_BYTES = 1 << 20
STALE_PART_S = 24 * 3600  # a temporary file this old was left by a program that died
UNUSED_S = 60 * 24 * 3600  # entries that nobody wanted for this long are deleted


def content_hash(path: Path) -> str:
    """Hash of a file's bytes. Raises OSError."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_READ_BYTES):
            digest.update(block)
    return digest.hexdigest()


def key_of(*parts: object) -> str:
    """A name for what is made from these parts; numbers and texts only."""
    return hashlib.sha256(json.dumps(parts, default=str).encode()).hexdigest()[:40]


@dataclass(slots=True)
class Cache:
    """The hidden folder of one show. Where it cannot be written, everything is made each time."""

    folder: Path
    hashes: dict[Path, str] = field(default_factory=dict)

    @classmethod
    def beside(cls, show_folder: Path) -> Cache:
        """The cache of the show in a folder."""
        return cls(show_folder / FOLDER)

    def source(self, path: Path) -> str:
        """The content hash of a source file, remembered by its size and time of change.

        Raises OSError.
        """
        if path not in self.hashes:
            state = path.stat()
            name = key_of("source", str(path.resolve()), state.st_size, state.st_mtime_ns)
            self.hashes[path] = str(self.note(name, lambda: content_hash(path)))
        return self.hashes[path]

    def sound(self, key: str, make: Callable[[], Sound]) -> Sound:
        """The sound of a name, shape (channels, frames), made and kept if it is not there."""
        path = self.folder / f"{key}.sound"
        found = _read_sound(path)
        if found is None:
            found = np.ascontiguousarray(make(), dtype=np.float32)
            body = found.tobytes()
            digest = hashlib.sha256(body).digest()
            head = _HEAD.pack(_MAGIC, digest, found.shape[0], 0)
            self._keep(path, head.ljust(HEAD_BYTES, b"\0") + body)
        else:
            _touch(path)
        return found

    def mapped(self, key: str, make: Callable[[], Sound]) -> Sound:
        """The same for a long sound, which stays in its file and is read as it is played.

        A kept file is judged by its head and its length alone: reading a night's worth
        to the end would take minutes. Where it cannot be kept, the sound is in memory.
        """
        path = self.folder / f"{key}.sound"
        found = _map_kept(path)
        if found is None:
            made = self.sound(key, make)
            found = _map_kept(path)
            return made if found is None else found
        _touch(path)
        return found

    def note(self, key: str, make: Callable[[], Any]) -> Any:
        """A small value (anything that JSON holds) of a name, made and kept if it is not there."""
        path = self.folder / f"{key}.note"
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            kept = json.loads(path.read_bytes())
            if kept["sum"] == key_of(kept["value"]):
                _touch(path)
                return kept["value"]
        value = make()
        self._keep(path, json.dumps({"value": value, "sum": key_of(value)}).encode())
        return value

    def tidy(self) -> None:
        """Delete what was left half written, and what nobody wanted for two months."""
        now = time.time()
        with contextlib.suppress(OSError):
            for path in self.folder.iterdir():
                limit = STALE_PART_S if path.suffix == ".part" else UNUSED_S
                with contextlib.suppress(OSError):
                    if now - path.stat().st_mtime > limit:
                        path.unlink()

    def _keep(self, path: Path, data: bytes) -> None:
        """Write a file that appears when it is complete; without room there is none."""
        part = ""
        try:
            self.folder.mkdir(exist_ok=True)
            handle, part = tempfile.mkstemp(suffix=".part", dir=self.folder)
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            Path(part).replace(path)
        except OSError:
            if part:
                Path(part).unlink(missing_ok=True)


def _read_sound(path: Path) -> Sound | None:
    """A kept sound; None where it is missing or damaged."""
    try:
        data = path.read_bytes()
    except OSError:
        return None
    if len(data) < HEAD_BYTES:
        return None
    magic, digest, channels, _ = _HEAD.unpack_from(data)
    body = memoryview(data)[HEAD_BYTES:]
    frame_bytes = 4 * channels
    if magic != _MAGIC or not 1 <= channels <= 2 or len(body) % frame_bytes:
        return None
    if hashlib.sha256(body).digest() != digest:
        return None
    return np.frombuffer(body, np.float32).reshape(channels, -1)


def _map_kept(path: Path) -> Sound | None:
    """A kept sound, mapped; None where it is missing or cannot be one."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD.size)
        body_bytes = path.stat().st_size - HEAD_BYTES
        if len(head) < _HEAD.size or body_bytes < 0:
            return None
        magic, _, channels, _ = _HEAD.unpack(head)
        if magic != _MAGIC or not 1 <= channels <= CHANNELS_MAX or body_bytes % (4 * channels):
            return None
        frames = body_bytes // (4 * channels)
        return map_sound(str(path), HEAD_BYTES, (channels, frames), (4 * frames, 4))
    except (OSError, ValueError):
        return None


def _touch(path: Path) -> None:
    """Mark as wanted."""
    with contextlib.suppress(OSError):
        os.utime(path)
