"""A patch chosen by hand: it holds until the next section, then the plan holds again."""

from __future__ import annotations

from syncbox.engine.chasing import chase, select_patch
from syncbox.engine.run import LegRun
from syncbox.engine.state import EngineState
from syncbox.midi.messages import patch
from syncbox.schedule.program import CompiledLeg, Event, PatchOut
from syncbox.score.rig import BankCount
from syncbox.units import ms_to_frames

_SEVEN_BITS = 0x7F
_KEY_BITS = 21  # MSB, LSB and program, seven bits each


def choice(instrument_index: int, key: int) -> int:
    """An instrument and a patch as the one number that travels with SELECT_PATCH.

    `key` is that of `PatchOut`: bank MSB, LSB and program, seven bits each.
    """
    assert 0 <= key < 1 << _KEY_BITS, key
    return (instrument_index << _KEY_BITS) | key


def override_patch(state: EngineState, chosen: int, frame: int) -> bool:
    """Select a patch now. False: there is no such instrument, or its port takes no patches."""
    index, key = chosen >> _KEY_BITS, chosen & ((1 << _KEY_BITS) - 1)
    rig = state.program.rig
    if not 0 <= index < len(rig.instruments):
        return False
    instrument = rig.instruments[index]
    port = next((i for i, p in enumerate(rig.ports) if p.name == instrument.port), -1)
    if port < 0 or not rig.ports[port].patches:
        return False
    msb, lsb, program = key >> 14, key >> 7 & _SEVEN_BITS, key & _SEVEN_BITS
    if instrument.panel.banks is BankCount.NONE:
        messages = patch(instrument.channel, None, None, program)
    else:
        messages = patch(instrument.channel, msb, lsb, program)
    loading = ms_to_frames(instrument.loading_ms, rate=state.rate)
    state.selected[index] = -1  # also when it is selected already: the hand may know better
    select_patch(state, PatchOut(port, index, key, messages, loading), frame)
    state.overridden |= 1 << index
    return True


def holds_on(state: EngineState, run: LegRun, event: Event) -> bool:
    """Whether a planned patch only comes again because a vamp goes round: the hand's stays."""
    if run.round_no == 1 or not isinstance(event, PatchOut):
        return False
    return bool(state.overridden >> event.instrument & 1)


def plan_again(state: EngineState, leg_index: int, leg: CompiledLeg, before: CompiledLeg) -> None:
    """A leg is joined on: if another section begins with it, what was planned holds again."""
    same = (leg.section_index, leg.pass_no) == (before.section_index, before.pass_no)
    if state.overridden and leg.counted and not same:
        state.overridden = 0
        chase(state, state.song_index, leg_index, 0, state.next_frame)
