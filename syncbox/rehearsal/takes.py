"""The log of takes: what was rehearsed, when, how fast, where the recording is, what was said.

One line of JSON a take in a file for each song, only ever added to. A take is written when
its first round begins, and again with each round and at its end: the last line of an `id`
counts, so a take whose computer died is there as far as it came. A line that was torn is
left out when the log is read, and costs nothing else.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, fields
from fractions import Fraction
from pathlib import Path
from typing import Any

from syncbox.drivers.processes import lock
from syncbox.errors import UnreadableError

_TURN_S, _TURNS = 0.01, 500  # somebody else who writes is done in a moment
TAKES_FOLDER = "takes"  # in the show's folder: takes are the band's own, not to be hidden


@dataclass(frozen=True, slots=True)
class Note:
    """Something that was noticed, with the place in the music where it was."""

    section: str
    pass_no: int
    bar: int  # of the section, from 1
    beat: int
    text: str
    sound: str = ""  # file name beside the log, where it was spoken


@dataclass(frozen=True, slots=True)
class Round:
    """One time through: where its first counted beat lies in the recording, if there is one."""

    number: int  # from 1
    speed: str  # as a fraction of the written tempo, for example 17/20
    first_frame: int | None


@dataclass(frozen=True, slots=True)
class Take:
    """One rehearsal of a part of a song."""

    song: str
    when: str  # local date and time, ISO 8601
    first_section: str
    last_section: str
    rounds: tuple[Round, ...]
    recording: str = ""  # file name beside the log; empty: nothing was recorded
    rate: int = 0
    lost_frames: int = 0
    notes: tuple[Note, ...] = ()
    id: str = ""  # the same in all lines of one take


def log_path(show: Path, song: str) -> Path:
    """The log of a song's takes."""
    return show / TAKES_FOLDER / f"{song}.jsonl"


def new_recording_path(show: Path, song: str, stamp: str) -> Path:
    """An empty file for a recording, which nobody else can get; its folder is made.

    Raises UnreadableError.
    """
    folder = show / TAKES_FOLDER
    name, number = f"{song} {stamp}", 2
    try:
        folder.mkdir(exist_ok=True)
        while True:
            path = folder / f"{name}.wav"
            with contextlib.suppress(FileExistsError), path.open("xb"):
                return path
            name, number = f"{song} {stamp} ({number})", number + 1
    except OSError as error:
        raise UnreadableError(
            f"cannot make a recording in the folder for takes: {error.strerror}",
            where=str(folder),
            hint="is the disk full, or the folder write-protected?",
        ) from None


def add_take(show: Path, take: Take) -> Path:
    """Add a take to its song's log and make sure that it is on the disk, or leave no trace of it.

    Raises UnreadableError.
    """
    path = log_path(show, take.song)
    line = json.dumps(asdict(take), ensure_ascii=False).encode("utf-8", errors="replace") + b"\n"
    try:
        path.parent.mkdir(exist_ok=True)
        with _alone(path) as log:
            before = os.fstat(log).st_size
            try:
                _write_all(log, (b"\n" if _ends_torn(log, before) else b"") + line)
                os.fsync(log)
            except OSError:
                with contextlib.suppress(OSError):
                    os.ftruncate(log, before)
                raise
    except OSError as error:
        raise UnreadableError(
            f"cannot write the log of takes: {error.strerror}",
            where=str(path),
            hint="is the disk full, or the folder write-protected?",
        ) from None
    return path


@contextlib.contextmanager
def _alone(path: Path) -> Iterator[int]:
    """The log, open to be added to, while no other process adds to it."""
    log = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
    try:
        for _ in range(_TURNS):
            with contextlib.suppress(OSError):  # not every file system can lock
                if lock(log):
                    break
            time.sleep(_TURN_S)
        yield log
    finally:
        os.close(log)


def _write_all(log: int, data: bytes) -> None:
    while data:
        data = data[os.write(log, data) :]


def _ends_torn(log: int, size: int) -> bool:
    if not size:
        return False
    os.lseek(log, size - 1, os.SEEK_SET)
    return os.read(log, 1) != b"\n"


def read_takes(show: Path, song: str) -> tuple[list[Take], int]:
    """All takes of a song in order, and how many lines could not be read.

    Raises UnreadableError for a log that is there and may not be read.
    """
    path = log_path(show, song)
    try:
        lines = path.read_bytes().splitlines()
    except FileNotFoundError:
        return [], 0
    except OSError as error:
        raise UnreadableError(
            f"cannot read the log of takes: {error.strerror}", where=str(path)
        ) from None
    takes: dict[str, Take] = {}
    unreadable = 0
    for number, line in enumerate(lines):
        if not line.strip():
            continue
        try:
            take = _take(json.loads(line))
        except (ValueError, TypeError, KeyError, ArithmeticError, RecursionError):
            unreadable += 1
            continue
        takes[take.id or f"line {number}"] = take
    return list(takes.values()), unreadable


def _take(found: Any) -> Take:
    """A take from its line. Raises ValueError, TypeError or KeyError for one that is none."""
    plain = _known(Take, found, but=("notes", "rounds"))
    rounds = tuple(Round(**_known(Round, each)) for each in _list(found["rounds"]))
    notes = tuple(Note(**_known(Note, each)) for each in _list(found.get("notes", [])))
    if any(Fraction(each.speed) <= 0 for each in rounds):
        raise ValueError("a speed that is none")
    return Take(**plain, rounds=rounds, notes=notes)


_KINDS: Mapping[str, tuple[type, ...]] = {
    "str": (str,), "int": (int,), "int | None": (int, type(None)),
}  # fmt: skip


def _known(record: Any, found: Any, but: tuple[str, ...] = ()) -> dict[str, Any]:
    """The fields of a record in what was read; what a later version adds is passed over."""
    if not isinstance(found, dict):
        raise TypeError("no record")
    out = {}
    for field in fields(record):
        if field.name in but or field.name not in found:
            continue
        if not isinstance(found[field.name], _KINDS[str(field.type)]):
            raise TypeError(field.name)
        out[field.name] = found[field.name]
    return out


def _list(found: Any) -> list[Any]:
    if not isinstance(found, list):
        raise TypeError("no list")
    return found
