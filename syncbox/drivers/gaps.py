"""How many frames a sound card left out when it ran dry. Pure: no clock is read.

A callback that comes late is no frame lost: the card may have had enough to play. What
is lost shows in the card's own time, told with each callback: it is further on than the
frames that were made for it. For some callbacks after a gap that time is told late too,
never early, so the least late of a few is believed, in whole blocks, because that is
what a card leaves out.

Some systems call twice for one block after they were late, and throw the first away:
then more was made than is played, and the card's time is behind by as much.

A dummy server's clock stands still while it is late, and no callback is told so: there
the frames seem to run ahead of it by whole blocks, and are right by the clock on the wall.
"""

from __future__ import annotations

import math

from syncbox.drivers.dll import Tracker, follow, moved, track

CONFIRMING_BLOCKS = 8  # that a gap is measured over
DOUBTING_BLOCKS = 64  # at most, where one underflow follows the other


class GapFinder:
    """Watches the card's time beside the frames that are made for it."""

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._tracker: Tracker | None = None
        self._confirming = 0  # callbacks until a gap is believed
        self._doubting = 0  # callbacks since the first underflow that is not settled yet
        self._least_late_s = 0.0  # of the callbacks since the last underflow

    def lost_frames(self, card_s: float, *, underflow: bool) -> int:
        """Frames that went by unplayed, told once, some callbacks after an underflow.

        Negative: so many were made in vain. Then as many must be left silent, beginning with
        this callback, and neither this nor `block` is called for those.

        Call it in every other callback, before `block`, with the time that the card tells for
        the coming block.
        """
        if self._tracker is None:
            return 0
        if underflow and self._doubting < DOUBTING_BLOCKS:
            self._confirming, self._least_late_s = CONFIRMING_BLOCKS, math.inf
        if not self._confirming:
            return 0
        self._least_late_s = min(self._least_late_s, card_s - self._tracker.loop.t1_s)
        self._confirming -= 1
        self._doubting += 1
        if self._confirming:
            return 0
        self._doubting = 0
        block_frames = self._tracker.block_frames
        lost = round(self._least_late_s * self._rate / block_frames) * block_frames
        if lost > 0:
            self._tracker = moved(self._tracker, lost, self._least_late_s)
        return lost

    def block(self, frame: int, frame_count: int, card_s: float) -> None:
        """Take in one callback; while a gap is being measured, go on as expected."""
        if self._tracker is None:
            self._tracker = track(self._rate, frame, frame_count, card_s)
            return
        expected_s = self._tracker.loop.t1_s
        told_s = expected_s if self._confirming else card_s
        self._tracker = follow(self._tracker, frame, frame_count, told_s)
