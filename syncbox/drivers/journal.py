"""The journal: what happened tonight, one line each, safe against a pulled plug.

A line is eight hexadecimal digits, a space and JSON; the digits are the CRC-32 of the
JSON. A line that was torn in the middle of its write does not fit its sum and is left
out when the journal is read, and the next one begins on a line of its own. Lines are
only ever appended. A thread writes them, so that a slow disk holds nobody up, and a full
one is said and costs lines, not the show.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zlib import crc32

FOLDER, NAME = ".syncbox", "journal.jsonl"
BYTES_MAX = 8_000_000  # some hundred evenings; then the file is put aside once
_QUEUE_MAX = 4096
_RETRY_S = 5.0  # after a write that failed


def journal_path(show: Path) -> Path:
    """Where the journal of a show folder is."""
    return show / FOLDER / NAME


def line_of(entry: dict[str, Any]) -> bytes:
    """An entry as a line with its sum."""
    body = json.dumps(entry, ensure_ascii=False, separators=(",", ":")).encode()
    return b"%08x %s\n" % (crc32(body), body)


def entry_of(line: bytes) -> dict[str, Any] | None:
    """The entry of a line, None for one that is torn or changed."""
    sum_, _, body = line.rstrip(b"\n").partition(b" ")
    try:
        if len(sum_) != 8 or int(sum_, 16) != crc32(body):
            return None
        entry = json.loads(body)
    except ValueError:
        return None
    return entry if isinstance(entry, dict) else None


def read_journal(path: Path) -> tuple[list[dict[str, Any]], int]:
    """Every whole entry, oldest first, and how many lines were damaged."""
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError:
        return [], 0
    entries = [entry_of(line) for line in lines if line]
    whole = [entry for entry in entries if entry is not None]
    return whole, len(entries) - len(whole)


class Journal:
    """Appends to one journal from any thread. `trouble` says what is wrong, empty when nothing."""

    def __init__(self, path: Path, *, now_s: Callable[[], float] = time.time) -> None:
        self.path = path
        self.trouble = ""
        self.lost = 0  # entries that are not in the file
        self._now_s = now_s
        self._queue: queue.Queue[dict[str, Any] | None] = queue.Queue(_QUEUE_MAX)
        self._thread = threading.Thread(target=self._write_all, name="journal", daemon=True)
        self._thread.start()

    def note(self, what: str, **facts: Any) -> None:
        """Put down an entry. Never waits and never raises."""
        try:
            self._queue.put_nowait({"what": what, "at": round(self._now_s(), 3), **facts})
        except queue.Full:
            self.lost += 1

    def close(self) -> None:
        """Write what is waiting, for a moment at most. Safe to repeat."""
        with contextlib.suppress(queue.Full):
            self._queue.put(None, timeout=1.0)
        self._thread.join(2.0)

    def _write_all(self) -> None:
        descriptor, again_s = -1, 0.0
        while (entry := self._queue.get()) is not None:
            if time.monotonic() < again_s:
                self.lost += 1
                continue
            try:
                if descriptor < 0:
                    descriptor = _open_to_append(self.path)
                _append(descriptor, line_of(entry))
                self.trouble = ""
            except OSError as error:
                self.lost += 1
                self.trouble = f"the journal cannot be written: {error.strerror or error}"
                again_s = time.monotonic() + _RETRY_S
                if descriptor >= 0:
                    os.close(descriptor)
                descriptor = -1
        if descriptor >= 0:
            os.close(descriptor)


def _open_to_append(path: Path) -> int:
    path.parent.mkdir(exist_ok=True)
    with contextlib.suppress(FileNotFoundError):
        if path.stat().st_size > BYTES_MAX:
            path.replace(path.with_suffix(".old"))
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
    descriptor = os.open(path, flags, 0o644)
    if (size := os.fstat(descriptor).st_size) and os.pread(descriptor, 1, size - 1) != b"\n":
        _append(descriptor, b"\n")  # the last show was cut off in the middle of a line
    return descriptor


def _append(descriptor: int, line: bytes) -> None:
    written = os.write(descriptor, line)
    if written != len(line):  # a disk that is full takes a part
        raise OSError(28, "no space left on the disk")
    os.fsync(descriptor)
