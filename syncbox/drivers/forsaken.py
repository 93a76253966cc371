"""The host's side of an engine whose host was killed: found again, and taken over.

`find` looks behind a run file. An engine that lives, says that it is forsaken and said so
just now can be taken over: nobody else gets there, since we have the file locked. What is
left of a dead one is removed, and the show begins as if nothing had been.
"""

from __future__ import annotations

import contextlib
import time
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol

from syncbox.drivers import system
from syncbox.drivers.processes import Watched, lives, watch
from syncbox.drivers.runfile import RunFile, Segments
from syncbox.engine.forsaken import IDLE_S
from syncbox.engine.records import Deck
from syncbox.engine.shared import Segment, load_copy, remove_segment, share_object
from syncbox.engine.words import LAYOUT, WORDS_BYTES, Word
from syncbox.errors import EngineError
from syncbox.units import NS_PER_SECOND

if TYPE_CHECKING:
    from syncbox.drivers.choose import Choice
    from syncbox.drivers.kinds import EngineKind

FRESH_NS = 2 * NS_PER_SECOND  # what was said so long ago says nothing
_PATIENCE_S = 5.0  # an engine that was just starting may still come
_LEAVE_S = 4.0
_LOOK_S = 0.05


class Engine(Protocol):
    """An engine process as a session sees it: its child, or one that it has taken over."""

    @property
    def pid(self) -> int: ...
    @property
    def alive(self) -> bool: ...
    def leave(self, *, patience_s: float) -> bool: ...
    def kill(self) -> None: ...
    def last_words(self) -> str: ...
    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Papers:
    """What the host of a show leaves in shared memory for one that comes later.

    `program` is the show's without the samples of its sounds; `show` is the command line's own.
    """

    choice: Choice
    kind: EngineKind
    options: dict[str, Any]
    program: Any
    show: Any = None
    idle_s: float = IDLE_S


@dataclass(slots=True)
class Stay:
    """How a session shall outlive its host: the claimed file, and what `Papers.show` shall be."""

    run_file: RunFile
    show: Any
    idle_s: float = IDLE_S  # a forsaken engine that plays nothing leaves after so long
    note: str = field(default="", init=False)  # why it could not be


@dataclass(frozen=True, slots=True)
class Found:
    """A forsaken engine."""

    papers: Papers
    run_file: RunFile
    segments: Segments


def find(run_file: RunFile) -> Found | None:
    """The forsaken engine of a claimed run file; None when there is none, and nothing is left."""
    segments = run_file.segments
    if segments is None:
        return None
    if _waits(segments.deck):
        papers = _papers(segments) if run_file.fits else None
        if papers is not None:
            return Found(papers, run_file, segments)
    send_away(segments.deck)
    run_file.forget()
    return None


def _waits(deck_name: str) -> bool:
    """Whether an engine there is forsaken and alive; waits a little for one that starts."""
    try:
        deck = Segment.attach(deck_name)
    except EngineError:
        return False
    deadline_s = time.monotonic() + _PATIENCE_S
    with deck.view(0, WORDS_BYTES) as view, view.cast("q") as words:
        while words[Word.LAYOUT] == LAYOUT and words[Word.STAYS] and not words[Word.LEAVE]:
            if words[Word.FORSAKEN] and system.now_ns() - words[Word.ALIVE_NS] < FRESH_NS:
                break
            if (pid := words[Word.ENGINE]) and not lives(pid):
                break
            if time.monotonic() > deadline_s:
                break
            time.sleep(_LOOK_S)
        fresh = system.now_ns() - words[Word.ALIVE_NS] < FRESH_NS
        waits = bool(words[Word.FORSAKEN]) and not words[Word.LEAVE]
        found = waits and fresh and lives(words[Word.ENGINE])
    deck.close()
    return found


def _papers(segments: Segments) -> Papers | None:
    """The papers as they are now."""
    found = _kept(segments.papers)
    if not isinstance(found, Papers):
        return None
    amended = _kept(segments.amended)
    return replace(found, show=amended) if isinstance(amended, type(found.show)) else found


def _kept(name: str) -> object | None:
    """What is kept in a segment; None if it is not there, or was not written to its end."""
    try:
        segment = Segment.attach(name)
    except EngineError:
        return None
    try:
        found: object = load_copy(segment)
    except Exception:  # half written: unpickling may raise anything
        found = None
    segment.close()
    return found


def amend(segments: Segments, show: Any) -> None:
    """Let `Papers.show` be another one for the hosts that come after us.

    The papers themselves stay as they are, so that there is always something to go by. Where
    there is no room for it, they hold.
    """
    remove_segment(segments.amended)
    with contextlib.suppress(EngineError):
        segment = share_object(show, segments.amended)
        segment.disown()
        segment.close()


def send_away(deck_name: str) -> None:
    """Tell an engine that nobody can take over to leave, and wait a moment for it."""
    try:
        deck = Segment.attach(deck_name)
    except EngineError:
        return
    with deck.view(0, WORDS_BYTES) as view, view.cast("q") as words:
        words[Word.LEAVE] = 1
        engine = watch(words[Word.ENGINE])
        deadline_s = time.monotonic() + _LEAVE_S
        while engine.alive and words[Word.FORSAKEN] and time.monotonic() < deadline_s:
            time.sleep(_LOOK_S)
        engine.close()
    deck.close()


class Adopted:
    """An engine that is not our child, with the face of one (`child.Child`)."""

    def __init__(self, deck: Deck) -> None:
        self._words = deck.words
        self.pid: int = self._words[Word.ENGINE]
        self._process: Watched = watch(self.pid)

    @property
    def alive(self) -> bool:
        return self._process.alive

    def leave(self, *, patience_s: float) -> bool:
        """Tell it to leave and wait until it has. False if it had to be killed."""
        self._words[Word.LEAVE] = 1
        deadline_s = time.monotonic() + patience_s
        while self.alive:
            if time.monotonic() > deadline_s:
                self.kill()
                return False
            time.sleep(_LOOK_S)
        return True

    def kill(self) -> None:
        """End it now. Safe to repeat."""
        self._process.kill()
        deadline_s = time.monotonic() + 1.0
        while self.alive and time.monotonic() < deadline_s:
            time.sleep(_LOOK_S / 5)

    def last_words(self) -> str:
        """Its error output went to the host before us."""
        return ""

    def close(self) -> None:
        """Let go of it, after it has left. Safe to repeat."""
        self._process.close()
