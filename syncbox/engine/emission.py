"""Handing out what falls into a block: facts, events, clocks, and the end of things."""

from __future__ import annotations

from syncbox.engine.chasing import (
    arrive_in_time,
    chase,
    prepare_song,
    select_patch,
    send_message,
)
from syncbox.engine.hands import beat_begins
from syncbox.engine.override import holds_on
from syncbox.engine.planning import end_song, leaves, leg_fact, stop_now
from syncbox.engine.ports import ClockGroup, flush
from syncbox.engine.releases import puts_off, send_put_off
from syncbox.engine.returning import has_left
from syncbox.engine.run import NEVER, LegRun
from syncbox.engine.state import EngineState, Fade
from syncbox.engine.transport import Fact
from syncbox.midi.messages import clock
from syncbox.schedule.clicks import VOICES
from syncbox.schedule.program import (
    ALL_SOURCES,
    BeatMark,
    Event,
    FadeTo,
    MessageOut,
    PatchOut,
    SoundStart,
    SoundStop,
    TextMark,
    WordStart,
)
from syncbox.units import round_half_up

CLICK_CLIPS = len(VOICES)  # the first clips of a program are the click voices
CLOCK = clock()


def emit_block(state: EngineState, first: int, end: int) -> None:
    """Everything that happens in [first, end), in the order in which it must leave."""
    limit = min(end, state.stop_frame)
    if state.arriving:
        arrive_in_time(state, first, limit)
    _emit_timed(state, first, limit)
    for run in state.runs:
        _announce(state, run, limit)
        while run.next_event < limit:
            frame = run.next_event
            event = run.take()
            if holds_on(state, run, event) or puts_off(state, run, event, frame):
                continue
            if isinstance(event, WordStart):
                _say(state, run, event, frame, first)
            else:
                _emit_event(state, event, frame, first)
    _emit_clocks(state, first, limit)
    state.code.emit(state, first, limit)
    if state.stop_frame < end:
        frame = state.stop_frame
        state.go(Fact.BAR_STOP)
        stop_now(state, frame)
        _emit_timed(state, first, end)
        _emit_free_clock(state, first, end)
        state.code.emit(state, frame, end)
    _finish(state, first, end)
    state.hearing.play_on(state, first, end)
    if state.hearing.put_off:
        send_put_off(state, first, end)
    _empty_outboxes(state, first, end)
    state.runs = [run for run in state.runs if not _exhausted(run, state, first)]


def _emit_timed(state: EngineState, first: int, limit: int) -> None:
    rows = state.timed.rows
    while rows and rows[0][0] < limit:
        frame, _, port, data, why = rows.pop(0)
        state.midi.append((_offset(state, frame, first), port, data, why))
        if port in state.returning:
            has_left(state, port, why)
    if state.timed_sounds:
        due = [row for row in state.timed_sounds if row[0] < limit]
        for frame, sound in due:
            if sound is None:
                state.slots.clear()
                state.mixer.stop_slots(max(0, frame - first))
            elif isinstance(sound, FadeTo):
                _fade(state, sound, frame, first)
            else:
                _start_sound(state, sound, frame, first)
        if due:
            state.timed_sounds = [row for row in state.timed_sounds if row[0] >= limit]


def _offset(state: EngineState, frame: int, first: int) -> int:
    if frame >= first:
        return frame - first
    state.now.late_count += 1
    return 0


def _announce(state: EngineState, run: LegRun, limit: int) -> None:
    """Tell the transport that a leg begins."""
    if run.started or run.start_frame >= limit:
        return
    run.started = True
    leg, now = run.leg, state.now
    if run.song_index != state.song_index:
        state.song_index = run.song_index
        state.told_frame = run.start_frame - 2 * state.start_lead  # its Stop and Start
        now.songs_over += 1
        state.go(Fact.SEGUE)
    state.hearing.section_begins(run.start_frame, run.song_index, leg.section_index)
    # What sounded up to here may have selected other patches since the press.
    if run.jumped and run is state.tail:
        chase(state, run.song_index, run.leg_index, run.first_tick, run.start_frame)
    fact = leg_fact(run)
    if state.may(fact):
        state.go(fact)
    now.song_index, now.leg_index = run.song_index, run.leg_index
    now.section_index = leg.section_index
    now.pass_no, now.passes, now.round_no = leg.pass_no, leg.passes, run.round_no
    now.bars = leg.section_bars


def _emit_event(state: EngineState, event: Event, frame: int, first: int) -> None:
    if isinstance(event, SoundStart):
        _start_sound(state, event, frame, first)
    elif isinstance(event, BeatMark):
        now = state.now
        now.bar, now.beat, now.beats = event.section_bar, event.beat, event.beats
        now.bars_to_go, now.tempo_mqpm, now.beat_frame = event.bars_to_go, event.tempo_mqpm, frame
        if state.hands.waiting:
            beat_begins(state, event, frame)
    elif isinstance(event, PatchOut):
        before = state.selected[event.instrument]
        select_patch(state, event, frame)
        if state.selected[event.instrument] != before:
            _offset(state, frame, first)
    elif isinstance(event, MessageOut):
        send_message(state, event, frame)
        _offset(state, frame, first)
    elif isinstance(event, SoundStop):
        state.slots.pop(event.slot, None)
        state.mixer.stop(event.slot, max(0, frame - first))
    elif isinstance(event, FadeTo):
        _fade(state, event, frame, first)
    elif isinstance(event, TextMark):
        state.now.text = event.text


def _say(state: EngineState, run: LegRun, word: WordStart, frame: int, first: int) -> None:
    """A spoken word, unless what it announces does not come."""
    follows = next((r for r in state.runs if r is not run and r.start_frame >= run.end_frame), None)
    if not run.leg.until_cue:
        is_left = True
    elif follows is not None:
        is_left = follows.leg_index != run.leg_index
    else:
        is_left = leaves(state, run)
    sound = state.speaker.say(state, run, word, frame, is_left=is_left)
    if sound is not None:
        _start_sound(state, sound, frame, first)


def _fade(state: EngineState, fade: FadeTo, frame: int, first: int) -> None:
    """A fade over its own length at tonight's tempo; what is late of it is left out."""
    length = round_half_up(fade.frames * state.stretch)
    if fade.source == ALL_SOURCES:
        state.faders.clear()
    else:
        before = state.faders.get(fade.source)
        begins_at = 1.0 if before is None else before.at(frame)
        state.faders[fade.source] = Fade(fade.gain, frame, length, begins_at)
    state.mixer.fade(fade.source, fade.gain, frame - first, length)


def _start_sound(state: EngineState, sound: SoundStart, frame: int, first: int) -> None:
    """A late click is a wrong click and is left out; anything longer joins where it should be."""
    if sound.slot >= 0:
        state.slots[sound.slot] = (sound, frame)
    if frame >= first:
        state.mixer.start(sound, frame - first)
        return
    state.now.late_count += 1
    if sound.clip >= CLICK_CLIPS:
        state.mixer.start(sound, 0, first - frame)


def _emit_clocks(state: EngineState, first: int, limit: int) -> None:
    """The clock grid of every leg, then the free clock where no leg has one."""
    for number, group in enumerate(state.groups):
        if group.sent:
            group.before = group.sent[-1]
        group.sent.clear()
        for run in state.runs:
            frame = run.next_clock(number)
            while frame + group.shift < limit:
                run.clock_positions[number] += 1
                _send_clock(state, group, frame + group.shift, first, counted=run.leg.counted)
                frame = run.next_clock(number)
    _emit_free_clock(state, first, limit)


def _emit_free_clock(state: EngineState, first: int, limit: int) -> None:
    """A clock of the free grid leaves each port in the block in which the port's own offset ends.

    For a port that is so early that it has passed the place where a grid begins, the
    grid begins where it is.
    """
    free = state.free_clock
    while free.due < limit + state.early:
        for group in state.groups:
            if free.due + group.shift >= first:
                group.free.append(free.due + group.shift)
        free.advance()
    for group in state.groups:
        while group.free and group.free[0] < limit:
            _send_clock(state, group, group.free.pop(0), first, counted=False)


def _send_clock(
    state: EngineState, group: ClockGroup, frame: int, first: int, *, counted: bool
) -> None:
    offset = max(0, frame - first)
    group.sent.append(frame)
    if counted:
        for port in group.ports:
            state.midi.append((offset, port, CLOCK, "clock"))
    else:
        for port in group.ports_when_stopped:
            state.midi.append((offset, port, CLOCK, "clock stopped"))


def _finish(state: EngineState, first: int, end: int) -> None:
    """The end of a song, and patches for the next one."""
    over = [run for run in state.runs if run.ends_song and run.end_frame < end]
    for run in over:
        end_song(state, run)
        _emit_timed(state, first, end)
        _emit_free_clock(state, first, end)
    if state.prepare_frame < end:
        prepare_song(state, max(first, state.prepare_frame))


def _empty_outboxes(state: EngineState, first: int, end: int) -> None:
    for index, outbox in enumerate(state.outboxes):
        if not outbox.messages and not outbox.played:
            continue
        clocks: list[int] = []
        if state.group_of[index] >= 0:
            group = state.groups[state.group_of[index]]
            upcoming = _next_clock(state, state.group_of[index])
            clocks = [group.before, *group.sent, upcoming]
        if busy := state.code.busy[index]:
            clocks = sorted([*clocks, *busy])
        flush(outbox, first, end, clocks, state.midi)


def _next_clock(state: EngineState, number: int) -> int:
    """Frame at which the next clock leaves a group of ports."""
    group = state.groups[number]
    upcoming = [run.next_clock(number) + group.shift for run in state.runs]
    return min([*upcoming, *group.free[:1], state.free_clock.due + group.shift])


def _exhausted(run: LegRun, state: EngineState, first: int) -> bool:
    if run is state.tail or run.next_event != NEVER or run.end_frame >= first:
        return False
    return all(run.next_clock(number) == NEVER for number in range(len(state.groups)))
