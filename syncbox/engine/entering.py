"""Music that begins at an exact clock of a song, because somebody else counts it in."""

from __future__ import annotations

from fractions import Fraction

from syncbox.engine.chasing import chase, rejoin_stems
from syncbox.engine.leader import Spot, clock_phase
from syncbox.engine.planning import clear_stage, place
from syncbox.engine.run import LegRun
from syncbox.engine.state import EngineState
from syncbox.engine.transport import Command


def top_of(state: EngineState) -> Spot:
    """Position 0: the first bar, without count-in or pickup."""
    return Spot(next(i for i, leg in enumerate(state.song.legs) if leg.counted))


def enter(state: EngineState, spot: Spot, begins: Fraction) -> LegRun:
    """Begin the present song at a clock of it, which comes at an exact frame.

    The stretch that holds must be in the state; Start must be possible there.
    """
    first, leg = state.next_frame, state.song.legs[spot.leg_index]
    clear_stage(state, first)
    state.go(Command.START)
    state.phase = phase = clock_phase(leg) if spot.phase < 0 else spot.phase
    tick, offset = 0, Fraction(0)
    if spot.clock:
        tick = int(leg.clock_ticks[phase][spot.clock])
        offset = leg.clock_offsets[phase].exact(spot.clock)
    chase(state, state.song_index, spot.leg_index, tick, first)
    state.position_known = spot.known
    state.told_tick = spot.told_tick
    if spot.told_tick < 0:
        state.told_tick = leg.route_tick + (spot.round_no - 1) * leg.ticks + tick
    if spot.clock or spot.leg_index != top_of(state).leg_index:
        rejoin_stems(state, spot.leg_index, tick, begins, offset)
    at = (state.song_index, spot.leg_index, spot.round_no)
    place(state, at, leg, begins - offset * state.stretch, tick)
    run = state.tail
    assert run is not None
    for group, ahead in enumerate(spot.ahead):
        run.clock_positions[group] += ahead
    return run
