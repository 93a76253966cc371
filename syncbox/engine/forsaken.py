"""An engine whose host was killed: it plays on, waits for another host, or leaves by itself.

Theory of operation. The first host is known by its pipe. When that ends without a leave note
the engine says in the deck that it is forsaken, and that it lives, ten times a second. A host
that takes over writes its process number there and that the engine is not forsaken any more;
from then on the engine watches that process, and takes its leave note from the deck. The
callback knows nothing of all this.

The engine of a spare computer that is silent leaves with its host: nobody would tell it where
the other one is. It says so in the deck, so that nobody takes it over meanwhile.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from syncbox.engine.cycle import Cycle
from syncbox.engine.records import Deck, Health
from syncbox.engine.shared import remove_segment
from syncbox.engine.words import Word

IDLE_S = 900.0  # for so long nothing has played and nobody was heard: leave
LOOK_S = 0.1


class Watched(Protocol):
    """A process that is not ours."""

    @property
    def alive(self) -> bool: ...
    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Staying:
    """What an engine must know that stays when its host is killed.

    `watch` gives a process by its number. `segments` are the names of all that the show has in
    shared memory: who leaves last removes it.
    """

    watch: Callable[[int], Watched]
    segments: tuple[str, ...]
    idle_s: float = IDLE_S


class Vigil:
    """The engine's main thread after its host has gone."""

    def __init__(
        self,
        cycle: Cycle,
        deck: Deck,
        staying: Staying,
        *,
        now_ns: Callable[[], int],
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """`now_ns` is host time, which all processes share."""
        self._cycle, self._words, self._staying = cycle, deck.words, staying
        self._now_ns, self._now_s = now_ns, now_s
        self._host: Watched | None = None
        self._heard, self._busy_s = cycle.heard_count, now_s()
        self._words[Word.FORSAKEN] = 1

    def keep(self) -> None:
        """Until it is time to leave."""
        while self.look():
            time.sleep(LOOK_S)

    def look(self) -> bool:
        """One look around. Whether to stay."""
        words = self._words
        if words[Word.FORSAKEN] and self._cycle.silent:
            words[Word.LEAVE] = 1
        words[Word.ALIVE_NS] = self._now_ns()
        if words[Word.LEAVE] or self._cycle.pulse.health == Health.FINISHED:
            return False
        if not words[Word.FORSAKEN] and not self._host_lives():
            words[Word.FORSAKEN] = 1
            return self.look()
        if not words[Word.FORSAKEN] or not self._cycle.still or self._somebody_plays():
            self._busy_s = self._now_s()
        return self._now_s() - self._busy_s < self._staying.idle_s

    def _host_lives(self) -> bool:
        if self._host is None:
            self._host = self._staying.watch(self._words[Word.HOST])
        if self._host.alive:
            return True
        self._host.close()
        self._host = None
        return False

    def _somebody_plays(self) -> bool:
        before, self._heard = self._heard, self._cycle.heard_count
        return self._heard != before


def tidy(deck: Deck, staying: Staying) -> None:
    """After the last block: nobody else removes what a forsaken engine leaves behind."""
    words = deck.words
    if words[Word.FORSAKEN] and words[Word.ENGINE] == os.getpid():
        for name in staying.segments:
            remove_segment(name)
