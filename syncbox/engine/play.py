"""The engine as its process builds it: found by name, since only names travel between processes."""

from __future__ import annotations

from typing import Any

from syncbox.engine.cycle import Play
from syncbox.engine.place import PlaceWriter, restore
from syncbox.engine.rejoin import replay
from syncbox.engine.render import render_block
from syncbox.engine.state import Command, engine_state


def play_program(program: Any, **options: Any) -> Play:
    """An engine for a compiled program; `options` are those of `engine_state`."""
    return Play(
        state=engine_state(program, **options),
        render=render_block,
        start_command=Command.START,
        quit_command=Command.QUIT,
        say_place=PlaceWriter(),
        restore=restore,
        replay=replay,
    )
