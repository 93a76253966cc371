"""Catching up: an engine that knows an earlier place goes to where the band is now.

The time in between is played through silently, by the very functions that play it
aloud, so that what comes out at the end is what an engine that was never away would do.
"""

from __future__ import annotations

from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from syncbox.engine.emission import emit_block
from syncbox.engine.mixer import Mixer
from syncbox.engine.planning import join_next
from syncbox.engine.state import EngineState

_STEP_FRAMES = 1024


class _NoEars:
    """The mixer while nobody listens: sounds begin and end, but nothing is added up."""

    def __init__(self, mixer: Mixer) -> None:
        self._mixer = mixer
        self._row = np.zeros(_STEP_FRAMES, dtype=np.float32)

    def stream(self, source: int) -> NDArray[np.float32]:
        del source
        return self._row

    def __getattr__(self, name: str) -> Any:
        return getattr(self._mixer, name)


def replay(state: EngineState, frame: int) -> None:
    """Go on to a frame without a sound or a message; loops and stems are then where they belong.

    The ports have heard nothing of it: see `returning` for how they are brought up to date.
    """
    mixer, late = state.mixer, state.now.late_count
    state.mixer = cast("Mixer", _NoEars(mixer))
    while (first := state.next_frame) < frame:
        end = min(frame, first + _STEP_FRAMES)
        join_next(state, end)
        emit_block(state, first, end)
        state.midi.clear()
        mixer.skip(end - first)
        state.next_frame = end
    state.mixer, state.now.late_count = mixer, late
    for outbox in state.outboxes:
        outbox.messages.clear()
        outbox.wire_free = 0
