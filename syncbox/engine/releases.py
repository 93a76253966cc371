"""Patches that wait for the hands: a change must not cut the chord that is still held.

For instruments whose rig entry says so. A patch whose time has come while keys or
pedals hold its instrument is put off until they are released, at the latest to the
musical moment that it is for; what was to follow it on its channel waits with it.
"""

from __future__ import annotations

from syncbox.engine.chasing import select_patch, send_message
from syncbox.engine.run import LegRun
from syncbox.engine.state import EngineState
from syncbox.schedule.program import Event, MessageOut, PatchOut


def puts_off(state: EngineState, run: LegRun, event: Event, frame: int) -> bool:
    """Whether an event of a run whose frame has come must wait; it is kept then."""
    if isinstance(event, PatchOut):
        channel = event.messages[-1][0] & 0x0F
        waits = event.wait_frames and state.hearing.router.holds(event.port, channel)
        if not waits:
            return False
        state.hearing.put_off.append((run, frame + event.wait_frames, channel, event))
        return True
    if not isinstance(event, MessageOut) or event.data[0] >= 0xF0:
        return False
    channel = event.data[0] & 0x0F
    for waiting, due, other, patch in state.hearing.put_off:
        if waiting is run and other == channel and patch.port == event.port:
            state.hearing.put_off.append((run, due, channel, event))
            return True
    return False


def send_put_off(state: EngineState, first: int, end: int) -> None:
    """Send what waited and need not wait any longer; forget what was taken back by a jump."""
    kept = []
    for entry in state.hearing.put_off:
        run, due, channel, event = entry
        if run not in state.runs or due > run.end_frame:
            continue
        if due >= end and state.hearing.router.holds(event.port, channel):
            kept.append(entry)
            continue
        frame = due if due < end else state.hearing.last_frame
        if isinstance(event, PatchOut):
            select_patch(state, event, max(first, frame))
        else:
            send_message(state, event, max(first, frame))
    state.hearing.put_off = kept
