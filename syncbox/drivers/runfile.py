"""The note that a running show leaves for a host that comes later, and whose turn it is.

One file for each show folder, in the user's runtime folder of this computer: two computers
that share a show folder do not see each other's. A host keeps its file locked as long as it
lives; the system lets go of the lock however the host ends, so a lock says for certain that
a host lives, and of two that come at once one gets it. The file names the show's segments in
shared memory; what else there is to know is in the deck (`engine.words`).
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
from dataclasses import dataclass
from pathlib import Path

from syncbox import __version__
from syncbox.drivers.journal import entry_of, line_of
from syncbox.drivers.processes import lives, lock, runtime_folder
from syncbox.engine.shared import Segment, new_name, remove_segment
from syncbox.engine.words import WORDS_BYTES, Word
from syncbox.errors import BusyError, EngineError

_SUFFIX = ".show"
_BYTES_MAX = 8192
_TRIES, _TRY_S = 5, 0.1  # somebody who clears away has a lock for a moment only
_STARTING_S = 60.0  # for so long an engine may be on its way that has not said so yet


@dataclass(frozen=True, slots=True)
class Segments:
    """Names of what a show has in shared memory."""

    deck: str
    program: str
    papers: str
    amended: str  # what a later host has changed in the papers, if it has

    @property
    def all(self) -> tuple[str, ...]:
        return self.deck, self.program, self.papers, self.amended

    @classmethod
    def of(cls, token: str) -> Segments:
        """Short ones: macOS allows 30 characters."""
        return cls(f"{token}-d", f"{token}-p", f"{token}-k", f"{token}-a")


class RunFile:
    """The run file of a show, locked. Close it when the show is over."""

    def __init__(self, path: Path, descriptor: int, show: Path) -> None:
        self.path, self._descriptor, self._show = path, descriptor, show
        note = _note_of(descriptor)
        self.token = str(note.get("token", ""))
        self.fits = note.get("version") == __version__  # whoever wrote it speaks as we do

    @classmethod
    def claim(cls, show: Path) -> RunFile:
        """Take the turn as this show's host. Raises BusyError, OSError if there is no place.

        What is left of shows whose processes are all dead is removed.
        """
        folder = runtime_folder()
        whole = str(show.resolve())
        path = folder / (hashlib.sha256(whole.encode()).hexdigest()[:20] + _SUFFIX)
        for _ in range(_TRIES):
            descriptor = _locked(path)
            if descriptor is not None:
                clear_away(folder, but=path)
                return cls(path, descriptor, show)
            time.sleep(_TRY_S)
        raise BusyError(_pid_in(path))

    @property
    def segments(self) -> Segments | None:
        """Those of the show that is noted, None if none is."""
        return Segments.of(self.token) if self.token else None

    def note(self, token: str = "") -> Segments:
        """Note a show that begins, or that has another host. Raises OSError for a full disk."""
        token = token or new_name()
        note = {"token": token, "host": os.getpid(), "version": __version__}
        line = line_of({**note, "show": str(self._show)})
        os.lseek(self._descriptor, 0, os.SEEK_SET)
        if os.write(self._descriptor, line) != len(line):
            raise OSError(28, "no space left on the disk")
        os.ftruncate(self._descriptor, len(line))
        self.token, self.fits = token, True
        return Segments.of(token)

    def forget(self) -> None:
        """Remove every segment that is noted, and the note."""
        if self.token:
            for name in Segments.of(self.token).all:
                remove_segment(name)
        self.token = ""
        with contextlib.suppress(OSError):
            os.ftruncate(self._descriptor, 0)

    def close(self) -> None:
        """Let go; a file that notes nothing is removed. Safe to repeat."""
        if self._descriptor < 0:
            return
        if not self.token:
            with contextlib.suppress(OSError):  # Windows removes no open file
                self.path.unlink()
        os.close(self._descriptor)
        self._descriptor = -1


def _locked(path: Path) -> int | None:
    """The file, made if needed, locked; None while another process has it."""
    while True:
        flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0)
        descriptor = os.open(path, flags, 0o600)
        try:
            if lock(descriptor):
                with contextlib.suppress(FileNotFoundError):
                    if os.path.samestat(os.fstat(descriptor), path.stat()):
                        return descriptor
                os.close(descriptor)  # it was removed before we had it
                continue
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)
        return None


def _note_of(descriptor: int) -> dict[str, object]:
    os.lseek(descriptor, 0, os.SEEK_SET)
    return entry_of(os.read(descriptor, _BYTES_MAX)) or {}


def _pid_in(path: Path) -> int:
    try:
        note = entry_of(path.read_bytes()) or {}
    except OSError:
        return 0
    pid = note.get("host", 0)
    return pid if isinstance(pid, int) else 0


def clear_away(folder: Path, *, but: Path) -> None:
    """Remove what is left of other shows whose host and engine are both dead."""
    for path in folder.glob(f"*{_SUFFIX}"):
        with contextlib.suppress(OSError):
            if path == but or (descriptor := _locked(path)) is None:
                continue
            left = RunFile(path, descriptor, path)
            if not _engine_may_live(left):
                left.forget()
            left.close()


def _engine_may_live(left: RunFile) -> bool:
    if left.segments is None:
        return False
    pid = engine_of(left.segments.deck)
    if pid is None:
        return False
    if pid == 0:
        return time.time() - left.path.stat().st_mtime < _STARTING_S
    return lives(pid)


def engine_of(deck_name: str) -> int | None:
    """The engine's process by its deck, 0 before it has said; None if there is no such deck."""
    try:
        deck = Segment.attach(deck_name)
    except EngineError:
        return None
    with deck.view(0, WORDS_BYTES) as view, view.cast("q") as words:
        pid: int = words[Word.ENGINE]
    deck.close()
    return pid
