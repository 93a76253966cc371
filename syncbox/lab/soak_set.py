"""What must hold of the set clock in a night of trouble: total against slot.

The total is the time gone and what is left of the set. It stands as long as the music goes as
is usual, and grows by no more than the time that passes in a hold, a vamp's further rounds and
a pause. After the trouble the rest of the set is played out as usual, and takes what was said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from syncbox.drivers.set_clock import STILL, TALK_SECONDS, SetClock
from syncbox.engine.run import LegRun
from syncbox.engine.script import CueScript
from syncbox.engine.state import EngineState
from syncbox.engine.transport import Command, State

if TYPE_CHECKING:
    from syncbox.lab.soak import Night

_SETTLE_BLOCKS, _SET_BLOCKS = 2000, 20_000
_OFF_S = 0.5  # starting takes a moment, for each song

EVEN_S = 0.005  # so much a total may move where it stands
_STEADY = (State.COUNTING_IN, State.ROLLING)


@dataclass(frozen=True, slots=True)
class Look:
    """What was seen after a block."""

    frame: int
    transport: int
    song_index: int
    round_no: int
    leg_index: int
    total_s: float
    sounds: bool  # a beat of it has been heard
    pending: bool  # something was asked for that has not come yet
    run: LegRun | None  # what sounds


class SetWatch:
    """Looks at the set clock after each block."""

    def __init__(self, clock: SetClock, rate: int) -> None:
        self.clock, self._rate = clock, rate
        self._before: Look | None = None

    def disturbed(self) -> None:
        """Something happened that is not as usual: the total may be another now."""
        self._before = None

    def left_s(self, state: EngineState) -> float:
        """What is left of the set by the clock."""
        spot = self.clock.spot(state.now, state.next_frame, self._rate)
        return self.clock.remaining_s(spot)

    def look(self, state: EngineState) -> str:
        """Why the total is wrong after a block, empty if it may be right."""
        if state.leader is not None:
            return ""  # who leads may be at any tempo
        now = state.now
        look = Look(
            state.next_frame,
            now.transport,
            now.song_index,
            now.round_no,
            now.leg_index,
            state.next_frame / self._rate + self.left_s(state),
            now.bar > 0,
            bool(now.cue_pending or now.jump_section >= 0 or now.stop_bars or now.trim_bars),
            next((run for run in reversed(state.runs) if run.started), None),
        )
        before, self._before = self._before, look
        if before is None or before.pending or look.pending or _is_surprise(before, look):
            return ""
        return _wrong(before, look, self._rate)


def _is_surprise(before: Look, look: Look) -> bool:
    """Whether what came in this block is not what comes usually, so that nobody could reckon it."""
    run, old = look.run, before.run
    if run is old or run is None:
        return False
    if run.jumped or old is None or run.song_index != old.song_index:
        return run.jumped
    left_early = old.leg.until_cue and old.leg.usual_rounds > old.round_no
    past_a_hold = run.leg_index > old.leg_index + 1
    return past_a_hold or (left_early and run.leg_index != old.leg_index)


def _wrong(before: Look, look: Look, rate: int) -> str:
    moved_s = look.total_s - before.total_s
    block_s = (look.frame - before.frame) / rate
    steady = before.transport in _STEADY and look.transport in _STEADY
    same = before.transport == look.transport and before.song_index == look.song_index
    if not before.sounds:
        allowed = (0.0, block_s)  # it begins a moment after the press
    elif steady:
        allowed = (0.0, 0.0)
    elif not same:
        return ""  # a pause begins or ends
    elif look.transport == State.VAMPING:
        if look.round_no != before.round_no:
            return ""
        allowed = (0.0, 0.0)
    else:
        allowed = (0.0, block_s)
    if allowed[0] - EVEN_S <= moved_s <= allowed[1] + EVEN_S:
        return ""
    return f"the total moved by {moved_s:.3f} s in {State(look.transport).name} at {look.frame}"


def plays_out(night: Night) -> None:
    """Play the rest of the set as usual, and hold it against what the clock said before."""
    state = night.state
    if state.leader is not None:
        return  # who leads may stop at any time
    state.script = CueScript()
    for _ in range(_SETTLE_BLOCKS):
        if _is_settled(state):
            break
        if state.transport is State.HOLDING:
            state.press(Command.CUE)
        night.block(calm=True)
        if night.broken:
            return
    else:
        return
    said_s, frame = night.set_watch.left_s(state), state.next_frame
    if not said_s:
        return  # the set is over; what is played again is an encore
    pauses = _to_the_end(night, state)
    took_s = (state.next_frame - frame) / night.program.rate
    reckoned_s = said_s - pauses * TALK_SECONDS
    if not night.broken and abs(took_s - reckoned_s) > _OFF_S:
        night.fails("set clock", f"{reckoned_s:.2f} s were left, {took_s:.2f} s it took")


def _to_the_end(night: Night, state: EngineState) -> int:
    """Start whatever waits, until the set is over. How often somebody had to."""
    pauses, still, sets = 0, state.transport in STILL, state.now.sets_over
    for _ in range(_SET_BLOCKS):
        if state.now.sets_over > sets or night.broken:
            break
        if state.transport in STILL and not (state.now.starts_itself or state.presses):
            pauses += not still
            state.press(Command.START)
        still = state.transport in STILL
        night.block(calm=True)
    return pauses


def _is_settled(state: EngineState) -> bool:
    """Whether nothing that was asked for is still to come, and the music runs or stands."""
    now = state.now
    asked = now.cue_pending or now.jump_section >= 0 or now.stop_bars or now.trim_bars
    jumped = any(run.jumped and not run.started for run in state.runs)
    return not (asked or jumped) and state.transport in (*_STEADY, *STILL)
