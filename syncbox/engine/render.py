"""The one function that makes everything: the audio and MIDI of the next block.

It reads no clock, opens nothing and waits for nothing; its only input besides the
state is which frames are wanted. Four drivers call it, and nothing else differs
between them, so what is rendered is what is played.
"""

from __future__ import annotations

from syncbox.engine.chasing import send_panic
from syncbox.engine.counting import forget_count, hit_stick, tap
from syncbox.engine.emission import emit_block
from syncbox.engine.following import follow, is_for_leader, show_leader
from syncbox.engine.levels import show_mixes, turn
from syncbox.engine.mixer import LEVEL_STEP_DB
from syncbox.engine.moving import (
    TRIM_STEP_PERMILLE,
    jump_at_bar,
    jump_at_end,
    repeat_section,
    set_trim,
)
from syncbox.engine.override import override_patch
from syncbox.engine.pending import sounding_permille, stop_bars, trim_bars
from syncbox.engine.planning import (
    bar_line_after,
    begin_song,
    choose_song,
    join_next,
    stop_now,
)
from syncbox.engine.ports import in_sending_order
from syncbox.engine.returning import join_returned, refresh_port
from syncbox.engine.run import NEVER, LegRun
from syncbox.engine.state import Block, EngineState
from syncbox.engine.transport import Command, State, unpacked

_LEVEL_STEPS = {Command.LOUDER: LEVEL_STEP_DB, Command.SOFTER: -LEVEL_STEP_DB}
_TRIM_STEPS = {Command.TEMPO_UP: TRIM_STEP_PERMILLE, Command.TEMPO_DOWN: -TRIM_STEP_PERMILLE}
_TEMPO = (*_TRIM_STEPS, Command.TEMPO_TRIM)  # a leader's tempo is not ours to change
_COUNTS = {Command.HIT_STICK: hit_stick, Command.TAP_TEMPO: tap}
_JUMPS = (Command.JUMP_AT_BAR, Command.JUMP_AT_END, Command.REPEAT_SECTION)
_MIX_COMMANDS = (
    Command.MUTE_MIX,
    Command.SOLO_MIX,
    Command.SOLO_SOURCE,
    Command.MIX_LOUDER,
    Command.MIX_SOFTER,
    Command.PLAY_PAD,
)
_SONG_STEPS = {Command.NEXT_SONG: 1, Command.PREVIOUS_SONG: -1}


def render_block(state: EngineState, first_frame: int, frame_count: int) -> Block:
    """Audio (outputs, frame_count) and MIDI of the next block; the state moves on.

    `first_frame` is where the block before ended (see `EngineState.skip_to`);
    `frame_count` is at most the state's `frames_max`. The result is valid until the
    next call.
    """
    assert first_frame == state.next_frame, (first_frame, state.next_frame)
    end = first_frame + frame_count
    state.midi.clear()
    state.hearing.heed(state, first_frame)
    follow(state, first_frame)
    forget_count(state)
    for number in state.presses:
        command, argument = unpacked(number)
        if not is_for_leader(state, command):
            _obey(state, command, argument, end)
    state.presses.clear()
    join_next(state, end)
    if state.returning:
        join_returned(state, end)
    emit_block(state, first_frame, end)
    state.midi.sort(key=in_sending_order)
    audio = state.mixer.render(frame_count)
    state.next_frame = end
    _show(state)
    return Block(audio, state.midi)


def _obey(state: EngineState, command: Command, argument: int, end: int) -> None:
    """Carry out a press; one that means nothing now is counted and changes nothing."""
    if not _means_something(state, command):
        state.now.refused_count += 1
        return
    was, first = state.transport, state.next_frame
    state.go(command)
    if command in _SONG_STEPS:
        choose_song(state, _SONG_STEPS[command], first)
    elif command in _LEVEL_STEPS:
        state.mixer.change_level(_LEVEL_STEPS[command])
    elif command in _TEMPO:
        step = _TRIM_STEPS.get(command)
        set_trim(state, argument if step is None else state.trim_permille + step, end)
    elif command in _COUNTS:
        state.now.refused_count += not _COUNTS[command](state, argument or first)
    elif command is Command.REFRESH_PORT:
        state.now.refused_count += not refresh_port(state, argument)
    elif command is Command.SELECT_PATCH:
        state.now.refused_count += not override_patch(state, argument, first)
    elif command is Command.QUIT:
        _quit(state, was, first)
    elif command in _MIX_COMMANDS or command in _JUMPS:
        jumps = command in _JUMPS
        done = _jump(state, command, argument, end) if jumps else turn(state, command, argument)
        state.now.refused_count += not done
    else:
        _move(state, command, first, end)


def _means_something(state: EngineState, command: Command) -> bool:
    if state.leader is not None and command in _TEMPO:
        return False
    return state.may(command)


def _jump(state: EngineState, command: Command, section: int, end: int) -> bool:
    if command is Command.JUMP_AT_BAR:
        return jump_at_bar(state, section, end)
    if command is Command.JUMP_AT_END:
        return jump_at_end(state, section, end)
    return repeat_section(state, end)


def _move(state: EngineState, command: Command, first: int, end: int) -> None:
    """Commands that change what is being played."""
    if command is Command.START:
        begin_song(state, first)
    elif command is Command.STOP:
        stop_now(state, first)
    elif command is Command.STOP_AT_BAR:
        state.stop_frame = bar_line_after(state, end)
    elif command is Command.CUE:
        state.cue_pending = True
    elif command is Command.PANIC:
        state.hearing.router.release_all()
        send_panic(state, first)
    elif command is Command.MUTE_CLICK:
        state.mixer.mute_click()


def _quit(state: EngineState, was: State, frame: int) -> None:
    """Stop if anything plays, then fade everything out for good."""
    if was not in (State.STOPPED, State.WAITING):
        stop_now(state, frame)
    state.hearing.router.release_all()
    state.quitting = True
    state.prepare_frame = NEVER
    state.mixer.leave()


def _is_decided(tail: LegRun | None) -> bool:
    """Whether a further round of a vamp was decided before it began."""
    return tail is not None and tail.leg.until_cue and tail.round_no > 1 and not tail.started


def _show(state: EngineState) -> None:
    show_leader(state)
    now = state.now
    now.cue_pending = int(state.cue_pending)
    now.cue_late = int(state.cue_pending and _is_decided(state.tail))
    now.double_count = state.hearing.double_count
    now.heard_lost = state.hearing.lost_count
    now.song_index = state.song_index
    now.trim_permille = state.trim_permille
    now.trim_bars, now.stop_bars = trim_bars(state), stop_bars(state)
    now.sounding_permille = sounding_permille(state)
    now.click_muted = int(state.mixer.click_muted)
    show_mixes(state)
    jump = state.jump_leg
    now.jump_section = state.song.legs[jump].section_index if jump >= 0 else -1
    now.starts_itself = int(state.transport is State.WAITING and state.tail is not None)
    now.level_mdb = round(state.mixer.level_db * 1000)
