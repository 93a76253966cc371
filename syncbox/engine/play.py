"""The engine as its process builds it: found by name, since only names travel between processes."""

from __future__ import annotations

from typing import Any

from syncbox.engine.cycle import Play
from syncbox.engine.place import PlaceWriter, restore
from syncbox.engine.rejoin import replay
from syncbox.engine.render import render_block
from syncbox.engine.standby import Understudy
from syncbox.engine.state import Command, EngineState, engine_state
from syncbox.engine.transport import State


def play_program(program: Any, *, spare: bool = False, **options: Any) -> Play:
    """An engine for a compiled program; `options` are those of `engine_state`.

    That of a `spare` computer is silent, and follows the orders of its host.
    """
    return Play(
        state=engine_state(program, **options),
        render=render_block,
        start_command=Command.START,
        quit_command=Command.QUIT,
        say_place=PlaceWriter(),
        restore=restore,
        replay=replay,
        still=_still,
        understudy=_understudy(program, options) if spare else None,
    )


def _still(state: EngineState) -> bool:
    return state.transport in (State.STOPPED, State.WAITING)


def _understudy(program: Any, options: dict[str, Any]) -> Understudy:
    # The one that takes over goes on as loud as the band has it.
    again = {**options, "soft_start": False}
    return Understudy(lambda: engine_state(program, **again), _hush, _inherit, _take_overs, _check)


def _hush(state: EngineState, deaf: bool, /) -> None:
    """What is held by hand ends, and pedals are obeyed or not from here on."""
    state.hearing.router.release_all()
    state.hearing.deaf = deaf


def _inherit(fresh: EngineState, before: EngineState, steady: bool, /) -> None:
    fresh.hearing.inherit(before.hearing, steady=steady)


def _take_overs(state: EngineState) -> int:
    return state.hearing.take_overs


def _check(state: EngineState) -> None:
    assert 0 <= state.song_index < len(state.program.songs), "a place of another show"
