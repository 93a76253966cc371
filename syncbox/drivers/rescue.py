"""When an engine that fell is started again, how often, and what is said about it.

A dead engine is replaced at once: the new one takes up the last place on the same
shared memory and is back on the band's grid. One that dies again and again is left
alone. A lost audio device is asked for until it is back; the count goes on meanwhile.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from enum import Enum

from syncbox.engine.records import Health, Pulse

FALLS_MAX = 4  # engines that may die within FALLS_S
FALLS_S = 60.0
RETRY_S = 1.0  # between two tries to open an audio device that is away


class Fall(Enum):
    """What happened to an engine."""

    DIED = "The engine process died"
    FAILED = "The engine failed"
    AUDIO_LOST = "The audio system went away"


def fall_of(pulse: Pulse | None, *, alive: bool) -> Fall | None:
    """What is wrong with an engine, None when nothing is."""
    health = Health.STARTING if pulse is None else pulse.health
    if health == Health.AUDIO_LOST:
        return Fall.AUDIO_LOST
    if not alive and health != Health.FINISHED:
        return Fall.DIED
    return Fall.FAILED if health == Health.FAILED else None


class Rescue:
    """Counts falls and says when to try again. Times are seconds of a monotonic clock."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._falls_s: list[float] = []
        self._next_s = 0.0
        self.away = False  # between a fall and the next engine
        self.given_up = False
        self.words = ""

    @property
    def due(self) -> bool:
        """Whether it is time to start an engine."""
        return not self.given_up and self._now_s() >= self._next_s

    def fell(self, fall: Fall, last_words: str) -> None:
        """An engine has fallen that had been playing."""
        now_s = self._now_s()
        self.away = True
        reason = f": {last_words}" if last_words else ""
        if fall is Fall.AUDIO_LOST:
            self.words = f"{fall.value}{reason}. The count goes on; the sound will come back to it."
            return
        self._falls_s = [at for at in self._falls_s if now_s - at < FALLS_S] + [now_s]
        self.given_up = len(self._falls_s) >= FALLS_MAX
        if self.given_up:
            self.words = (
                f"{fall.value}{reason}, {FALLS_MAX} times in a minute. It is not started again: "
                "Stop and note offs were sent to every port."
            )
        else:
            self.words = f"{fall.value}{reason}. It is being started again."

    def could_not_start(self, reason: str) -> None:
        """The try failed; the next one comes later."""
        self.words = f"No sound: {reason}. The count goes on; the sound will come back to it."
        self._next_s = self._now_s() + RETRY_S

    def is_back(self) -> None:
        """A new engine plays."""
        self.away, self.words = False, ""
