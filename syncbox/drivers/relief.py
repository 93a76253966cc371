"""One process takes over the task of another on the same deck: never two at once, no gap.

The new one gets ready, then claims the turn. The old one sees that, ends what it has begun,
and says that its turn is over. One that was killed cannot say so, but is seen to be dead.
"""

from __future__ import annotations

import os
from typing import Any

from syncbox.drivers.processes import watch
from syncbox.engine.records import Deck, Health
from syncbox.engine.words import Word


class Relief:
    """The turn of this process at a task. `words` are the deck's."""

    def __init__(self, words: Any, task: Word) -> None:
        """`task` is SENDER, RECEIVER or BEACON. What nobody had before is claimed at once."""
        self._words, self._task = words, task
        self._before = watch(words[task])
        self._number = words[task + 1] + 1
        self.claimed = False
        if words[task] == 0:
            self.claim()

    def claim(self) -> None:
        """It is our turn now. Safe to repeat."""
        if not self.claimed:
            self._words[self._task] = os.getpid()
            self._words[self._task + 1] = self._number
            self.claimed = True

    @property
    def free(self) -> bool:
        """Whether the one before has left the task alone."""
        left = bool(self._words[self._task + 2] >= self._number - 1)
        return left or not self._before.alive

    @property
    def over(self) -> bool:
        """Whether somebody else has claimed the turn after ours."""
        return bool(self._words[self._task + 1] > self._number)

    def end(self) -> None:
        """We leave the task alone from now on."""
        if self.claimed:
            self._words[self._task + 2] = self._number


def engine_is_gone(deck: Deck) -> bool:
    """Whether the engine's process has ended."""
    engine = watch(deck.words[Word.ENGINE])
    gone = not engine.alive
    engine.close()
    return gone


def leaves_silence(deck: Deck) -> bool:
    """Whether an engine that has left stopped the music before, or had only gone along."""
    seen = deck.read()
    return seen is not None and (seen[0].health == Health.FINISHED or bool(seen[0].silent))
