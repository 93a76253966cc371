from __future__ import annotations

import pytest

from syncbox.engine.transport import NEXT_STATE, Command, Fact, State, next_state
from syncbox.errors import TransportError


def test_every_state_can_be_reached_and_left() -> None:
    assert {target for (state, _), target in NEXT_STATE.items() if target != state} == set(State)
    assert {state for (state, _), target in NEXT_STATE.items() if target != state} == set(State)


def test_unknown_pairs_are_refused_and_say_so() -> None:
    pairs = [(s, t) for s in State for t in (*Command, *Fact) if (s, t) not in NEXT_STATE]
    assert (State.STOPPED, Command.CUE) in pairs
    for state, trigger in pairs:
        with pytest.raises(TransportError, match="means nothing while"):
            next_state(state, trigger)


def test_panic_and_levels_work_everywhere_and_change_no_state() -> None:
    for state in State:
        for command in (Command.PANIC, Command.LOUDER, Command.SOFTER):
            assert next_state(state, command) == state


def test_whatever_plays_can_be_stopped() -> None:
    for state in set(State) - {State.STOPPED}:
        assert next_state(state, Command.STOP) == State.STOPPED
