"""A spare computer's engine: silent, where another computer's engine is, until it shall sound.

The host gives an order: silent or not, and the number of a place to go on from. Only a
silent engine takes up places. Each gets a fresh state, so that nothing of what it believed
before is left. Making one takes longer than a block may, so a thread of the engine process
does that; nobody hears if it holds the callback up, because it only works while the engine
is silent. The callback then goes the last few blocks and changes over. Frames are numbered
as the other computer numbers them: `shift_frames` is what was added to our own count.

Silent means: no sound, no MIDI, and deaf to pedals, keys and commands. Only the pedal that
takes over is counted, for the host to see.
"""

from __future__ import annotations

import gc
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from syncbox.engine.records import Deck, Order, Pulse

if TYPE_CHECKING:
    from syncbox.engine.cycle import BlockLike, Play

FADE_FRAMES = 1024  # in and out, so that nothing clicks that is no click
_AHEAD_FRAMES_MAX = 48_000  # a place may be this early: it is then waited for
_BEHIND_FRAMES_MAX = 8 * 48_000  # what lies further back is no news, and long to catch up with
_LAST_STEPS_FRAMES = 4096  # so much is left to the callback
_LOOK_S, _LOOK_SOUNDING_S = 0.01, 0.25  # while it sounds the thread has nothing to do


@dataclass(frozen=True, slots=True)
class Understudy:
    """What a standby needs of an engine, as functions of its state."""

    fresh: Callable[[], Any]  # a new state, as at the start of the session
    hush: Callable[[Any, bool], None]  # let go of what is held; deaf from here on, or not
    inherit: Callable[[Any, Any, bool], None]  # the new one goes on with the old one's pedals
    take_overs: Callable[[Any], int]  # presses of a pedal that takes over
    check: Callable[[Any], None]  # raises AssertionError for a state that cannot be played


class Standby:
    """What a cycle asks before and after each block."""

    def __init__(self, play: Play, deck: Deck) -> None:
        assert play.understudy is not None
        assert play.restore is not None
        assert play.replay is not None
        self._understudy = play.understudy
        self._restore, self._replay = play.restore, play.replay
        self._deck = deck
        self.silent = True
        self._pulse = Pulse()
        self._taken = 0  # number of the last place that was looked at; the thread's
        # What the thread has made, for the callback to go on with; it has it back if `_late`.
        self._ready: tuple[Any, Order] | None = None
        self._late = False
        self._ending = False  # in the block in which it falls silent, what is held still ends
        self._faded_in = 0  # frames of the ramp that have been heard
        self._ramp = np.linspace(0.0, 1.0, FADE_FRAMES, endpoint=False, dtype=np.float32)
        self._understudy.hush(play.state, True)

    @property
    def shall_be_silent(self) -> bool:
        """By the newest order, which the callback may not have seen yet."""
        order = self._deck.read_order()
        return order is None or bool(order.silent)

    def begin(self) -> None:
        """Start the thread. Its places come late or early by its own pace only."""
        threading.Thread(target=self._go_along, name="standby", daemon=True).start()

    def _go_along(self) -> None:
        while True:
            time.sleep(_LOOK_S if self.silent else _LOOK_SOUNDING_S)
            self.make_ready()

    # --- in the thread ------------------------------------------------------------------------

    def make_ready(self) -> None:
        """Look for a new place, and make a state that has caught up with the callback."""
        order = self._deck.read_order()
        if order is None or not (order.silent and self.silent):
            return
        if self._ready is not None:
            if self._late:
                state, ordered = self._ready
                self._replay(state, self._now(ordered))
                self._late = False
        elif order.place_number != self._taken:
            self._make(order)

    def _now(self, order: Order) -> int:
        pulse = self._pulse
        return pulse.frame - pulse.shift_frames + order.shift_frames

    def _make(self, order: Order) -> None:
        gc.collect()  # a state that was left is in cycles, and nothing else collects here
        try:
            place = self._deck.read_lead_place()
            frame = self._now(order)
            ahead = 0 if place is None else place["frame"] - frame
            if 0 < ahead <= _AHEAD_FRAMES_MAX:
                return  # at the next look
            self._taken = order.place_number
            if place is None or not -_BEHIND_FRAMES_MAX <= ahead <= 0:
                self._pulse.places_refused += 1
                return
            fresh = self._understudy.fresh()
            place = {**place, "quitting": 0}  # that the other one leaves is its affair
            self._restore(fresh, place)
            self._replay(fresh, frame)
            self._understudy.check(fresh)
        except Exception:  # a place of another show or version: the host says so, we go on
            self._taken = order.place_number
            self._pulse.places_refused += 1
            return
        self._late = False
        self._ready = (fresh, order)

    # --- in the callback ----------------------------------------------------------------------

    def heed(self, state: Any, pulse: Pulse) -> Any:
        """Obey the newest order before a block. The state to go on with."""
        self._pulse = pulse
        pulse.take_overs = self._understudy.take_overs(state)
        order = self._deck.read_order()
        if order is None:
            pulse.silent = 1
            return state
        if bool(order.silent) is not self.silent:
            self.silent = bool(order.silent)
            self._ending = self.silent
            self._ready = None  # it is of before
            self._understudy.hush(state, self.silent)
        elif self.silent and self._ready is not None and not self._late:
            state = self._change_over(state, pulse, *self._ready)
        pulse.silent = int(self.silent)
        return state

    def _change_over(self, state: Any, pulse: Pulse, fresh: Any, order: Order) -> Any:
        frame = self._now(order)
        if frame - fresh.next_frame > _LAST_STEPS_FRAMES:
            self._late = True
            return state
        self._ready = None
        if frame < fresh.next_frame:
            return state  # our own count was set back meanwhile: the next place will do
        self._replay(fresh, frame)
        steady = abs(frame - pulse.frame) < _AHEAD_FRAMES_MAX
        self._understudy.inherit(fresh, state, steady)
        self._understudy.hush(fresh, True)
        moved = order.shift_frames - pulse.shift_frames
        pulse.frame, pulse.shift_frames = frame, order.shift_frames
        pulse.audio_frame_zero = (pulse.audio_frame_zero - moved) & 0xFFFF_FFFF
        pulse.places_taken += 1
        return fresh

    def cover(self, block: BlockLike) -> None:
        """Take from a block what must not be heard."""
        if self.silent and self._faded_in == 0:
            block.audio[:] = 0.0
        elif self.silent or self._faded_in < FADE_FRAMES:
            self._fade(block.audio)
        if self.silent and not self._ending:
            block.midi.clear()
        self._ending = False

    def _fade(self, audio: Any) -> None:
        count = audio.shape[1]
        done = self._faded_in
        if self.silent:
            part = self._ramp[max(0, done - count) : done][::-1]
        else:
            part = self._ramp[done : done + count]
        np.multiply(audio[:, : len(part)], part, out=audio[:, : len(part)])
        if self.silent:
            audio[:, len(part) :] = 0.0
        self._faded_in = max(0, done - count) if self.silent else min(FADE_FRAMES, done + count)
