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
    """Stands in for the mixer while nobody listens."""

    def __init__(self, mixer: Mixer) -> None:
        self._mixer = mixer
        self._row = np.zeros(_STEP_FRAMES, dtype=np.float32)

    def stream(self, source: int) -> NDArray[np.float32]:
        del source
        return self._row

    def __getattr__(self, name: str) -> Any:
        value = getattr(self._mixer, name)
        return _nothing if callable(value) else value


def _nothing(*_: object, **__: object) -> None:
    pass


def replay(state: EngineState, frame: int) -> None:
    """Go on to a frame without a sound or a message; then loops and stems come in.

    The ports have heard nothing of it: see `returning` for how they are brought up to date.
    """
    mixer, late = state.mixer, state.now.late_count
    state.mixer = cast("Mixer", _NoEars(mixer))
    while state.next_frame < frame:
        first = state.next_frame
        end = min(frame, first + _STEP_FRAMES)
        join_next(state, end)
        emit_block(state, first, end)
        state.midi.clear()
        state.next_frame = end
    state.mixer, state.now.late_count = mixer, late
    for outbox in state.outboxes:
        outbox.messages.clear()
        outbox.wire_free = 0
    mixer.stop_all()
    for source, (gain, begun, length) in state.faders.items():
        mixer.fade(source, gain, begun - frame, length)
    for sound, begun in state.slots.values():
        mixer.start(sound, 0, max(0, frame - begun))
