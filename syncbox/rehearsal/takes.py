"""The log of takes: what was rehearsed, when, how fast, where the recording is, what was said.

One line of JSON a take in a file for each song, only ever added to. A line that was
torn by a power failure is left out when the log is read, and costs nothing else.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from syncbox.errors import UnreadableError

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


def log_path(show: Path, song: str) -> Path:
    """The log of a song's takes."""
    return show / TAKES_FOLDER / f"{song}.jsonl"


def new_recording_path(show: Path, song: str, stamp: str) -> Path:
    """A file name for a recording that is not in use yet; its folder is made."""
    folder = show / TAKES_FOLDER
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise UnreadableError(
            f"cannot make the folder for takes: {error.strerror}", where=str(folder)
        ) from None
    name, number = f"{song} {stamp}", 2
    while (folder / f"{name}.wav").exists():
        name, number = f"{song} {stamp} ({number})", number + 1
    return folder / f"{name}.wav"


def add_take(show: Path, take: Take) -> Path:
    """Add a take to its song's log and make sure that it is on the disk."""
    path = log_path(show, take.song)
    try:
        path.parent.mkdir(exist_ok=True)
        torn = _ends_torn(path)
        with path.open("a", encoding="utf-8") as file:
            if torn:
                file.write("\n")
            file.write(json.dumps(asdict(take), ensure_ascii=False) + "\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise UnreadableError(
            f"cannot write the log of takes: {error.strerror}",
            where=str(path),
            hint="is the disk full, or the folder write-protected?",
        ) from None
    return path


def _ends_torn(path: Path) -> bool:
    if not path.exists() or not path.stat().st_size:
        return False
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) != b"\n"


def read_takes(show: Path, song: str) -> tuple[list[Take], int]:
    """All takes of a song in order, and how many lines could not be read."""
    path = log_path(show, song)
    if not path.exists():
        return [], 0
    takes, unreadable = [], 0
    for line in path.read_bytes().splitlines():
        try:
            takes.append(_take(json.loads(line)))
        except (ValueError, TypeError, KeyError):
            unreadable += 1
    return takes, unreadable


def _take(fields: Mapping[str, Any]) -> Take:
    notes: Sequence[Mapping[str, Any]] = fields.get("notes", ())
    rounds: Sequence[Mapping[str, Any]] = fields["rounds"]
    plain = {key: value for key, value in fields.items() if key not in ("notes", "rounds")}
    return Take(
        **plain,
        rounds=tuple(Round(**each) for each in rounds),
        notes=tuple(Note(**each) for each in notes),
    )
