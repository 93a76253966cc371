"""Taps of a person on keys, pads and pedals, with the moment of each."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

from syncbox.cli.keys import Key
from syncbox.drivers import system
from syncbox.engine.transport import Command
from syncbox.midi.presses import Presses
from syncbox.units import NS_PER_SECOND

if TYPE_CHECKING:
    from syncbox.cli.keys import Keyboard
    from syncbox.cli.playback import Playback
    from syncbox.drivers.ear import Ear

POLL_S = 0.002  # keys are read this often; a person scatters by ten times as much
SILENT_S = 8.0  # without a keyboard, which has an Enter: after this the taps are over
_LEVELS = {Key.UP: Command.LOUDER, Key.DOWN: Command.SOFTER}


class Tapping:
    """Collects `seconds`: of the recording that plays, else of the computer's clock."""

    def __init__(
        self, keyboard: Keyboard | None, ear: Ear | None, playback: Playback | None
    ) -> None:
        """Any of them may be missing, but not both keyboard and ear."""
        self.seconds: list[float] = []
        self._keyboard, self._ear, self._playback = keyboard, ear, playback
        self._presses = Presses()
        self._over = False

    def taps(self, most: int) -> Iterator[float]:
        """Each tap as it comes, up to `most`, until Enter or the end of the recording."""
        if self._playback is not None:
            self._playback.start()
        last_ns = system.now_ns()
        while len(self.seconds) < most and not self._over:
            for moment_ns in self._moments():
                at_s = self._seconds_at(moment_ns)
                if at_s is None or len(self.seconds) >= most:
                    continue  # before the recording began, or one too many
                last_ns = moment_ns
                self.seconds.append(at_s)
                yield at_s
            self._look_for_the_end(last_ns)

    def _moments(self) -> list[int]:
        """Host times of the taps since the last look; waits a moment for one."""
        found = []
        for key in self._keyboard.read() if self._keyboard else ():
            if key is Key.ENTER:
                self._over = True
            elif key not in _LEVELS:
                found.append(system.now_ns())
            elif self._playback is not None:
                self._playback.turn(_LEVELS[key])
        if self._ear is None:
            time.sleep(POLL_S)
            return found
        heard = self._ear.next(POLL_S)
        if heard is not None and self._presses.take(heard[0].name, heard[1]):
            found.append(system.now_ns())
        return found

    def _seconds_at(self, moment_ns: int) -> float | None:
        if self._playback is None:
            return moment_ns / NS_PER_SECOND
        return self._playback.seconds_at(moment_ns)

    def _look_for_the_end(self, last_ns: int) -> None:
        if self._playback is not None and self._playback.over:
            self._over = True
        silent_s = (system.now_ns() - last_ns) / NS_PER_SECOND
        if self._keyboard is None and self.seconds and silent_s > SILENT_S:
            self._over = True
