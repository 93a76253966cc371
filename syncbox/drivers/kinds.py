"""Which engine a session has: the real one, or a tiny one in tests of the plumbing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from syncbox.engine.cycle import Play


@dataclass(frozen=True, slots=True)
class EngineKind:
    """How the engine process makes an engine, and what its `Now` looks like.

    `maker(program, **options)` is called in the engine process and found by its name.
    """

    maker: Callable[..., Play]
    now_type: type[Any]
    rejoins: bool = False  # whether a new one can take up the place of one that died
    maps_sounds: bool = False  # whether the host reads mapped sounds ahead for it


def real_engine() -> EngineKind:
    """The one that plays shows."""
    from syncbox.engine.play import play_program
    from syncbox.engine.state import Now

    return EngineKind(play_program, Now, rejoins=True, maps_sounds=True)
