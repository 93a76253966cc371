"""An engine that is never away beside one that takes its place up: both must go on alike."""

from __future__ import annotations

import json

import numpy as np
from building import Engine

from syncbox.engine.place import PlaceWriter, restore
from syncbox.engine.rejoin import replay
from syncbox.engine.state import EngineState

RATE = 48_000
AWAY_FRAMES = 60_000


class Double:
    """An engine that is never away, and one that takes its place up later."""

    def __init__(self, engine: Engine) -> None:
        self.one = engine
        self.writer = PlaceWriter()
        self.place = b""
        self.note()

    def note(self) -> None:
        self.place = self.writer(self.one.state) or self.place

    def turn(self, blocks: int) -> None:
        for _ in range(blocks):
            self.one.turn()
            self.note()

    def other(self, away_frames: int = AWAY_FRAMES) -> Engine:
        """The one that follows: it knows the last place only, and comes back later."""
        known = json.loads(self.place)
        self.one.turn(away_frames // self.one.block_frames)
        other = Engine(self.one.program, self.one.block_frames, self.one.script)
        restore(other.state, known)
        replay(other.state, self.one.state.next_frame)
        self.one.audio.clear(), self.one.midi.clear()
        return other


def shown(state: EngineState) -> dict[str, int]:
    left_out = ("late_count", "refused_count")
    return {n: getattr(state.now, n) for n in state.now.__slots__ if n not in left_out}


def same_from_here(
    one: Engine, other: Engine, blocks: int = 1200, *, settle_s: float = 0.0, off: float = 0.0
) -> None:
    """Clocks, what is shown and, after `settle_s`, every sample; `off` of it is forgiven."""
    one.turn(blocks)
    other.turn(blocks)
    clocks = [[row for row in engine.midi if row[3].startswith("clock")] for engine in (one, other)]
    assert clocks[0] == clocks[1]
    assert shown(one.state) == shown(other.state)
    skip = int(settle_s * RATE) // one.block_frames
    mine, its = (np.concatenate(engine.audio[skip:], axis=1) for engine in (one, other))
    np.testing.assert_allclose(mine, its, rtol=0, atol=off)
