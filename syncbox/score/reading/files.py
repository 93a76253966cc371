"""The one module of the reader that touches the disk: a show's files in, and saved edits out."""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path

from syncbox.errors import UnreadableError
from syncbox.score.reading.nodes import MIB, TEXT_BYTES_MAX
from syncbox.score.reading.report import Report

ENDINGS = (".yaml", ".yml")
KEPT_ENDING = ".before"


@dataclass(frozen=True, slots=True)
class ShowFiles:
    """Where the files of a show are. Songs are in alphabetical order of their ids."""

    folder: Path
    rig: Path | None
    set_list: Path | None
    songs: dict[str, Path]
    doubles: tuple[Path, ...] = ()  # the same name with .yaml and .yml


def find_files(folder: Path) -> ShowFiles:
    """The YAML files of a show's folder.

    Raises UnreadableError if the folder is not there or may not be read.
    """
    try:
        names = sorted(entry.name for entry in folder.iterdir())
    except FileNotFoundError:
        raise UnreadableError(
            "there is no such folder", where=str(folder), hint="name the folder of a show"
        ) from None
    except NotADirectoryError:
        raise UnreadableError(
            "this is a file, not a folder",
            where=str(folder),
            hint="name the folder that holds rig.yaml and the songs",
        ) from None
    except OSError as error:
        raise UnreadableError(
            f"the folder cannot be read: {error.strerror}", where=str(folder)
        ) from None
    special: dict[str, Path] = {}
    songs: dict[str, Path] = {}
    doubles: list[Path] = []
    for name in names:
        path = folder / name
        if path.suffix.lower() not in ENDINGS or name.startswith("."):
            continue
        shelf = special if path.stem in {"rig", "setlist"} else songs
        if path.stem in shelf:
            doubles.append(path)
        shelf.setdefault(path.stem, path)
    return ShowFiles(folder, special.get("rig"), special.get("setlist"), songs, tuple(doubles))


def read_text(path: Path, report: Report) -> str | None:
    """A file's text, or None after the report has said why there is none.

    The size is asked before anything is read.
    """
    try:
        with path.open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            data = b"" if size > TEXT_BYTES_MAX else file.read(TEXT_BYTES_MAX + 1)
    except OSError as error:
        report.file_error(f"the file cannot be read: {error.strerror}")
        return None
    if size > TEXT_BYTES_MAX or len(data) > TEXT_BYTES_MAX:
        held, limit = max(size, len(data)) / MIB, TEXT_BYTES_MAX // MIB
        report.file_error(
            f"the file has {held:.1f} MB; {limit} MB is the limit",
            "a song file is a few kilobytes; is this the right file?",
        )
        return None
    return decode(data, report)


def decode(data: bytes, report: Report) -> str | None:
    """Text of a file's bytes: UTF-8, or UTF-16 with a byte order mark."""
    encoding = "utf-16" if data[:2] in {b"\xff\xfe", b"\xfe\xff"} else "utf-8"
    if b"\x00" in data[:4096] and encoding == "utf-8":
        report.file_error("this is not a text file", "write it with a text editor, saved as UTF-8")
        return None
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        report.file_error(
            f"line {line} is not UTF-8 text", "save the file as UTF-8 in the text editor"
        )
        return None


def save_text(path: Path, text: str) -> None:
    """Replace a file's text so that a power cut leaves the old one or the new one, never less.

    The version before is kept beside it as `name.yaml.before`. Raises UnreadableError.
    """
    fresh = path.with_name(f".{path.name}.new")
    try:
        with fresh.open("wb") as file:
            file.write(text.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            _keep(path)
            with contextlib.suppress(OSError):
                os.chmod(fresh, path.stat().st_mode)
        os.replace(fresh, path)
        _sync_folder(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            fresh.unlink()
        raise UnreadableError(
            f"the file could not be saved: {error.strerror}",
            where=str(path),
            hint="the version before is untouched",
        ) from None


def _keep(path: Path) -> None:
    """Keep a file's present bytes under its name with `.before`, as whole as the file itself."""
    kept = path.with_name(path.name + KEPT_ENDING)
    half = path.with_name(f".{path.name}{KEPT_ENDING}.new")
    with half.open("wb") as file:
        file.write(path.read_bytes())
        file.flush()
        os.fsync(file.fileno())
    os.replace(half, kept)


def _sync_folder(folder: Path) -> None:
    """Make the renaming itself last, on systems that let a folder be synced."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
