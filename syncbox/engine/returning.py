"""A port that comes back is brought up to date: with what playing from the start had given it.

Patches and controllers first, then its place in the music: Stop at once, Song Position,
and Continue just before a bar line, whose clock is then the first that counts (MIDI 1.0
Detailed Specification 4.2.1, p. 27-31). No other port hears anything of it.

What it owes depends on since when it has been there. Who was there before the song that
plays was told anything has missed nothing of it: it is not stopped, and no Continue comes.
Settings are sent to every port that comes, but for a patch that left while it was there.
So a port that is plugged in between songs, or a moment before the first, just plays along,
even if the host notices it after Start.
"""

from __future__ import annotations

from enum import IntEnum

from syncbox.engine.chasing import SONG_POSITION_MAX, select_patch
from syncbox.engine.state import EngineState
from syncbox.engine.transport import State
from syncbox.midi.messages import continue_, panic, song_position, start, stop
from syncbox.units import TICKS_PER_CLOCK, TICKS_PER_SONG_POSITION

PORTS_MAX = 64
_KINDS = 4  # room for kinds in an argument
NOT_KNOWN = -1  # since when it is there: it may have come just now
_BEGINNINGS = ("start", "continue")
_POSITION = ("song position",)  # all that a port without Start is told


class Refresh(IntEnum):
    """What a port that came back needs; the command's argument is port + PORTS_MAX * this."""

    WHOLE = 0  # it may have been switched off
    SETTINGS = 1  # another box on the same port plays on: its transport must not be disturbed
    MISSED = 2  # the engine was away, not the box: only what it has missed


def refresh(port: int, kind: Refresh, since_frame: int = NOT_KNOWN) -> int:
    """The argument of REFRESH_PORT. The port has been there from `since_frame` on, for certain."""
    return port + PORTS_MAX * (kind + _KINDS * (since_frame + 1))


def refreshed(argument: int) -> tuple[int, int, int]:
    """Port, kind and `since_frame` of an argument."""
    rest, port = divmod(argument, PORTS_MAX)
    since, kind = divmod(rest, _KINDS)
    return port, kind, since - 1


def refresh_port(state: EngineState, argument: int) -> bool:
    """Bring one port up to date. False: there is no such port."""
    port, kind, since = refreshed(argument)
    if not (0 <= kind <= max(Refresh) and port < len(state.outboxes)):
        return False
    state.absent[port] = False
    frame = state.next_frame
    since = frame + 1 if since == NOT_KNOWN else since
    if kind == Refresh.WHOLE and state.program.rig.input_ports:
        _end_what_was_played(state, port, frame)
    for instrument, patch in enumerate(state.patches):
        if patch is not None and patch.port == port:
            if kind != Refresh.MISSED and since > state.selected_frame[instrument]:
                state.selected[instrument] = -1
            select_patch(state, patch, frame)
    # After the silencing messages all controllers are back at their defaults.
    due = max(frame, state.ready_frame)
    for (at, _), data in state.controls.items():
        if at == port:
            state.outboxes[port].put(due, data, "controller")
    if kind != Refresh.SETTINGS and since > state.told_frame + state.outboxes[port].shift:
        _rejoin_music(state, port)
    return True


def _end_what_was_played(state: EngineState, port: int, frame: int) -> None:
    """Notes whose ends went nowhere while the cable was out may be sounding still."""
    state.hearing.router.forget(port)
    rig = state.program.rig
    for instrument in rig.instruments:
        if instrument.port == rig.ports[port].name:
            for message in panic(instrument.channel):
                state.outboxes[port].put(frame, message, "panic")


def _rejoin_music(state: EngineState, port: int) -> None:
    kind = state.program.rig.ports[port]
    if state.told_frame == NOT_KNOWN or not (kind.start_stop or kind.song_position):
        return  # no song has begun yet
    now = state.next_frame - state.outboxes[port].shift
    beginning = _beginning(state, port)
    if state.midi_rolling and beginning is None:
        state.returning.add(port)
    elif beginning != "start" and not _is_planned(state, port, _POSITION):
        playing = state.midi_rolling or state.transport in (State.HOLDING, State.COUNTING_IN)
        tick = _next_position(state) if playing else 0
        if tick or state.midi_rolling or state.transport is State.HOLDING:
            _tell(state, port, now, tick)
    if kind.start_stop:  # it may play on from before; then it would not hear anything else
        state.timed.add(state.next_frame, port, stop(), "stop", ahead=True)


def _next_position(state: EngineState) -> int:
    """Song position in ticks from which the music goes on: where the next counted leg begins."""
    coming = [run for run in state.runs if run.leg.counted and not run.started]
    return coming[0].told_tick + coming[0].first_tick if coming else state.told_tick


def _last_told(state: EngineState, port: int) -> tuple[str, ...]:
    return _BEGINNINGS if state.program.rig.ports[port].start_stop else _POSITION


def _beginning(state: EngineState, port: int) -> str | None:
    """With what a port will begin, if that is planned."""
    return _is_planned(state, port, _last_told(state, port))


def _is_planned(state: EngineState, port: int, whys: tuple[str, ...]) -> str | None:
    """The first of some messages that a port will be sent."""
    rows = state.timed.rows
    return next((row[4] for row in rows if row[2] == port and row[4] in whys), None)


def join_returned(state: EngineState, block_end: int) -> None:
    """Every block while a port waits for its bar line."""
    for port in tuple(state.returning):
        if not state.midi_rolling:
            state.returning.discard(port)
        elif _beginning(state, port) is None:  # not planned yet, or a jump has thrown it over
            _plan(state, port, block_end)


def has_left(state: EngineState, port: int, why: str) -> None:
    """A message has left a port that waits: it may have been the last that it waited for."""
    if why in _last_told(state, port):
        state.returning.discard(port)


def _plan(state: EngineState, port: int, block_end: int) -> None:
    """Song position and Continue for the next bar line that can be told."""
    earliest = block_end + state.margin
    lines = (
        (frame, run.told_tick + tick)
        for run in state.runs
        if run.leg.counted
        for frame, tick in run.lines()
        if earliest <= frame and (run.phase + tick) % TICKS_PER_CLOCK == 0
    )
    # Only every sixteenth has a number; a bar line between two of them cannot be told.
    told = [line for line in lines if line[1] % TICKS_PER_SONG_POSITION == 0]
    if not told:
        return
    line, tick = min(told)
    rig_port = state.program.rig.ports[port]
    knows = rig_port.song_position and _tell(state, port, line - 3 * state.start_lead // 2, tick)
    if rig_port.start_stop:
        data, why = (continue_(), "continue") if knows and tick else (start(), "start")
        state.timed.add(_shifted(state, port, line - state.start_lead), port, data, why)


def _tell(state: EngineState, port: int, frame: int, tick: int) -> bool:
    """Send a song position. False: the port wants none, or it is beyond the last number."""
    position = tick // TICKS_PER_SONG_POSITION
    if not state.program.rig.ports[port].song_position or position > SONG_POSITION_MAX:
        return False
    at = _shifted(state, port, frame)
    # A Continue for the same frame must not come before it.
    state.timed.add(at, port, song_position(position), "song position", ahead=True)
    return True


def _shifted(state: EngineState, port: int, frame: int) -> int:
    return max(state.next_frame, frame + state.outboxes[port].shift)
