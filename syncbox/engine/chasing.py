"""Bringing everything to where it would be if the song had been played from its start.

Whoever comes in late, whether at a bar, after a jump or in a port that came back,
gets the patches, controllers and song position that hold there, and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from syncbox.engine.run import NEVER
from syncbox.engine.state import EngineState
from syncbox.midi.messages import panic, song_position
from syncbox.schedule.program import (
    OPEN_FADERS,
    Chased,
    CompiledLeg,
    FadeTo,
    MessageOut,
    PatchOut,
    SoundStart,
)
from syncbox.units import TICKS_PER_SONG_POSITION

SONG_POSITION_MAX = 16_383


def prepare_song(state: EngineState, frame: int) -> None:
    """Send the patches and controllers that hold where the song will be entered."""
    state.prepare_frame = NEVER
    song, entry = state.song, state.song.entry
    first = entry.leg_index or next(i for i, leg in enumerate(song.legs) if leg.counted)
    chase(state, state.song_index, first, entry.tick, frame)
    state.hearing.section_begins(frame, state.song_index, -1)  # the keys play what was selected


def chase(state: EngineState, song_index: int, leg_index: int, tick: int, frame: int) -> None:
    """Send, from a frame on, the patches and controllers that hold at a tick of a leg.

    What an instrument has already is not sent; controllers wait until patches are loaded.
    """
    patches, controllers = _settings(state, song_index, leg_index, tick)
    for patch in patches:
        select_patch(state, patch, frame)
    due = max(frame, state.ready_frame)
    for message in controllers:
        _set_controller(state, message, due)


def plan_arrival(state: EngineState, song_index: int, leg_index: int, line: int) -> None:
    """The same for the start of a leg at a frame that is still to come: nothing goes too early.

    Each patch leaves when it must, so that it has arrived and is loaded at the line; what
    sounds until then keeps its own. Called again, it plans anew.
    """
    patches, controllers = _settings(state, song_index, leg_index, 0)
    wire = [0] * len(state.outboxes)
    sent = [(patch.port, data) for patch in patches for data in patch.messages]
    for port, data in (*sent, *((message.port, message.data) for message in controllers)):
        wire[port] += state.outboxes[port].length_frames(len(data) + 1)  # a clock may push in
    rows: list[tuple[int, PatchOut | MessageOut]] = [
        (line - wire[patch.port] - patch.loading_frames, patch) for patch in patches
    ]
    rows += [(line - wire[message.port], message) for message in controllers]
    state.arriving = sorted(rows, key=lambda row: row[0])


def arrive_in_time(state: EngineState, first: int, end: int) -> None:
    """Send what was planned for a jump and leaves in [first, end)."""
    while state.arriving and state.arriving[0][0] < end:
        frame, event = state.arriving.pop(0)
        frame = max(first, frame)
        if isinstance(event, PatchOut):
            select_patch(state, event, frame)
        else:
            _set_controller(state, event, max(frame, state.ready_frame))


def _settings(
    state: EngineState, song_index: int, leg_index: int, tick: int
) -> tuple[list[PatchOut], list[MessageOut]]:
    """The patches and the controllers that hold at a tick of a leg."""
    patches: dict[int, PatchOut] = {}
    controllers: dict[tuple[int, bytes], MessageOut] = {}
    for held in _held_until(state, song_index, leg_index, tick):
        if isinstance(held.event, PatchOut):
            patches[held.event.instrument] = held.event
        elif isinstance(held.event, MessageOut):
            controllers[_control(held.event)] = held.event
    return list(patches.values()), list(controllers.values())


def _set_controller(state: EngineState, message: MessageOut, due: int) -> None:
    if state.controls.get(_control(message)) != message.data:
        send_message(state, message, due)


def _held_until(state: EngineState, song_index: int, leg_index: int, tick: int) -> Iterator[Chased]:
    """Everything that holds on and was set at or before a tick of a leg, in order."""
    legs = state.program.songs[song_index].legs
    for index in range(leg_index + 1):
        for held in legs[index].chased:
            if index < leg_index or held.tick <= tick:
                yield held


def _control(message: MessageOut) -> tuple[int, bytes]:
    """Which controller of which channel a message sets."""
    return message.port, message.data[:2]


def send_message(state: EngineState, message: MessageOut, frame: int) -> None:
    """Queue a controller or system exclusive message; a controller's value is remembered."""
    if not state.absent[message.port]:
        due = max(frame, state.next_frame)
        state.outboxes[message.port].put(due, message.data, message.why)
    if message.why == "controller":
        state.controls[_control(message)] = message.data


def select_patch(state: EngineState, patch: PatchOut, frame: int) -> None:
    """Queue a patch change unless that patch is selected already."""
    state.patches[patch.instrument] = patch
    if state.absent[patch.port] or state.selected[patch.instrument] == patch.key:
        return
    state.selected[patch.instrument] = patch.key
    state.selected_frame[patch.instrument] = frame
    outbox = state.outboxes[patch.port]
    due, waiting = max(frame, state.next_frame), 0
    for message in patch.messages:
        outbox.put(due, message, "patch")
    for _, message, _ in outbox.messages:
        waiting += outbox.length_frames(len(message) + 1)  # a clock byte may push in
    ready = max(frame, outbox.wire_free) + waiting + patch.loading_frames
    state.ready_frame = max(state.ready_frame, ready)


def send_position(state: EngineState, frame: int, tick: int) -> None:
    """Queue the song position of a tick of the song, where it can be told."""
    position = tick // TICKS_PER_SONG_POSITION
    if not 0 < position <= SONG_POSITION_MAX:
        return
    for index, port in enumerate(state.program.rig.ports):
        if port.song_position:
            state.outboxes[index].put(frame, song_position(position), "song position")


def rejoin_stems(
    state: EngineState,
    leg_index: int,
    tick: int,
    begins: Fraction,
    offset: Fraction | None = None,
) -> None:
    """Stems that began before a tick of a leg, which begins at an exact frame.

    They come in as far in as they would be by now on the usual route. `offset` is the
    tick in exact frames from the leg's start; a bar line's may be left out.
    """
    legs = state.song.legs
    within = bar_offset(legs[leg_index], tick) if offset is None else offset
    target = legs[leg_index].route_start + within
    latest: dict[int, tuple[SoundStart, Fraction]] = {}
    for index in range(leg_index + 1):
        for held in legs[index].chased:
            past = index < leg_index or held.tick < tick
            if isinstance(held.event, SoundStart) and past:
                began = legs[index].route_start + held.offset
                latest[held.event.slot] = (held.event, target - began)
    _restore_fades(state, leg_index, tick, int(begins))
    for event, elapsed in latest.values():
        late = event._replace(from_frame=event.from_frame + int(elapsed * state.stretch))
        state.timed_sounds.append((int(begins), late))


def _restore_fades(state: EngineState, leg_index: int, tick: int, frame: int) -> None:
    """From a frame on every source has the level at which the fades before a tick left it."""
    faded: dict[int, FadeTo] = {}
    for held in _held_until(state, state.song_index, leg_index, tick):
        if isinstance(held.event, FadeTo):
            faded[held.event.source] = held.event
    if faded or state.mixer.faded:
        state.timed_sounds.append((frame, OPEN_FADERS))
        state.timed_sounds.extend((frame, fade._replace(frames=0)) for fade in faded.values())


def bar_offset(leg: CompiledLeg, tick: int) -> Fraction:
    """Exact frames from a leg's start to a bar line in it, at the written tempo."""
    index = next(i for i, (_, at) in enumerate(leg.bars) if at == tick)
    return leg.bar_offsets.exact(index)


def send_panic(state: EngineState, frame: int) -> None:
    """Silence every channel that the rig uses, at once."""
    for instrument in state.program.rig.instruments:
        for index, port in enumerate(state.program.rig.ports):
            if port.name == instrument.port:
                for message in panic(instrument.channel):
                    state.outboxes[index].put(frame, message, "panic")
