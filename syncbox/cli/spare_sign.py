"""Sums over a show's files, by which two computers know that they have the same show."""

from __future__ import annotations

import hashlib
import os
import platform
import secrets
from pathlib import Path
from typing import TYPE_CHECKING

from syncbox.drivers.spare_rules import PATIENCE_NS, Own
from syncbox.drivers.spare_words import Letter
from syncbox.engine.place import VERSION
from syncbox.score.reading.files import find_files

if TYPE_CHECKING:
    from syncbox.score.rig import Show

_ENDS_BYTES = 65_536  # of a sound file: its first and last bytes and its length are enough
_SOUNDS = (".wav", ".flac", ".ogg", ".mp3", ".aif", ".aiff", ".caf", ".w64")


def show_sum(folder: Path, show: Show, song: str, where: str) -> int:
    """Over everything that decides what is played when: all texts, tonight's set, the entry."""
    files = find_files(folder)
    paths = [files.rig, files.set_list, *files.songs.values()]
    sum_ = hashlib.sha256()
    for path in paths:
        if path is not None:
            _add(sum_, path.name.encode(), path.read_bytes().replace(b"\r\n", b"\n"))
    ids = [entry.song_id for entry in show.set_list.entries]
    _add(sum_, *(text.encode() for text in (*ids, "", song, where)))
    return _number(sum_)


def sounds_sum(folder: Path) -> int:
    """Over the show's sound files."""
    sum_ = hashlib.sha256()
    found = [path for path in folder.rglob("*") if path.suffix.lower() in _SOUNDS]
    visible = [path for path in found if not any(part[0] == "." for part in _inside(path, folder))]
    for path in sorted(visible, key=lambda path: _inside(path, folder)):
        with path.open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            begin = file.read(_ENDS_BYTES)
            file.seek(max(0, size - _ENDS_BYTES))
            end = file.read(_ENDS_BYTES)
        _add(sum_, "/".join(_inside(path, folder)).encode(), str(size).encode(), begin, end)
    return _number(sum_)


def _inside(path: Path, folder: Path) -> tuple[str, ...]:
    return path.relative_to(folder).parts


def _add(sum_: hashlib._Hash, *parts: bytes) -> None:
    for part in parts:
        sum_.update(len(part).to_bytes(8, "big") + part)


def _number(sum_: hashlib._Hash) -> int:
    return int.from_bytes(sum_.digest()[:8], "big", signed=True)


def own_card(
    folder: Path,
    show: Show,
    rate: int,
    entry: tuple[str, str],
    *,
    patience_s: float = PATIENCE_NS / 1e9,
    by_itself: bool = True,
) -> tuple[Own, Letter]:
    """What this computer says of itself. `entry` is the song and the place it begins at."""
    run = secrets.randbits(62) + 1
    own = Own(
        run=run,
        show=show_sum(folder, show, *entry),
        sounds=sounds_sum(folder),
        rate=rate,
        place_version=VERSION,
        patience_ns=round(patience_s * 1e9),
        by_itself=by_itself,
    )
    return own, Letter(run, *entry, platform.node() or "a computer")
