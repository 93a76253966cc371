"""Deciding what is played next, and when: starting, joining legs, vamps, holds, stopping.

A leg is decided as late as it can be, so that a cue counts as long as possible, and
as early as it must be, so that patches for it leave in time. The exact start of a
leg is the exact end of the one before: no rounded frame is ever added to.
"""

from __future__ import annotations

from fractions import Fraction
from math import ceil, floor

from syncbox.engine.chasing import (
    SONG_POSITION_MAX,
    plan_arrival,
    prepare_song,
    rejoin_stems,
    send_position,
)
from syncbox.engine.override import plan_again
from syncbox.engine.ports import clock_interval
from syncbox.engine.run import NEVER, LegRun
from syncbox.engine.state import EngineState
from syncbox.engine.transport import Fact
from syncbox.midi.messages import continue_, song_position, start, stop
from syncbox.schedule.program import OPEN_FADERS, CompiledLeg, CompiledSong
from syncbox.score.layout import LegKind
from syncbox.score.rig import Then
from syncbox.units import TICKS_PER_CLOCK, TICKS_PER_SONG_POSITION

PATCHES_AFTER_SECONDS = 4  # the coming song's patches wait this long, for the last chord to end


def begin_song(state: EngineState, frame: int) -> None:
    """Start was pressed, or the gap is over, at a frame: patches, then the count-in."""
    clear_stage(state, frame)
    song, entry = state.song, state.song.entry
    prepare_song(state, frame)
    state.position_known = False
    state.phase = state.told_tick = 0
    first_frame = max(frame + state.start_delay, state.ready_frame)
    stretch = state.stretch
    if entry.is_top:
        top = song.legs[0]
        opening = top.route_start * stretch
        place(state, (state.song_index, 0, 1), top, first_frame - floor(opening) + opening)
        return
    leg = song.legs[entry.leg_index]
    count = Fraction(0) if entry.count_in is None else entry.count_in.length * stretch
    # A whole number of frames before bar 1, so that every bar lies where the timeline says.
    from_top = (leg.route_start + entry.offset) * stretch
    begins = first_frame + ceil(count - from_top) + from_top
    at = (state.song_index, entry.leg_index, 1)
    if entry.count_in is not None:
        place(state, at, entry.count_in, begins - count)
    send_position(state, frame, leg.route_tick + entry.tick)
    rejoin_stems(state, entry.leg_index, entry.tick, begins)
    state.phase = -entry.tick % TICKS_PER_CLOCK
    state.told_tick = leg.route_tick + entry.tick
    place(state, at, leg, begins - entry.offset * stretch, entry.tick)


def clear_stage(state: EngineState, frame: int) -> None:
    """Nothing of what was before a frame goes on into the song that begins."""
    if state.tail is not None:  # it was about to begin by itself, and is wanted now
        stop_now(state, frame)
    state.told_frame = frame
    state.prepare_frame = NEVER  # whoever begins the song prepares it
    state.slots.clear()
    state.mixer.stop_all(frame - state.next_frame)  # what still rings from the song before
    state.mixer.open_faders(frame - state.next_frame)
    state.faders.clear()
    state.hands.waiting.clear()
    state.now.forget_place()
    state.cue_pending = False
    state.jump_leg = -1
    state.vamps_met = state.holds_met = 0


def place(
    state: EngineState,
    at: tuple[int, int, int],
    leg: CompiledLeg,
    begins: Fraction,
    first_tick: int = 0,
) -> None:
    """Put a leg at an exact start and tell the ports what it means for the transport."""
    run = LegRun(
        at,
        leg,
        begins,
        state.phase,
        first_tick=first_tick,
        clock_groups=len(state.groups),
        stretch=state.stretch,
    )
    state.runs.append(run)
    state.tail = run
    if leg.until_cue and run.round_no == 1:
        _meet(state, run)
    if leg.counted:
        run.told_tick = state.told_tick - first_tick
        state.told_tick = run.told_tick + leg.ticks
        if not state.midi_rolling:
            from_top = leg.route_tick + first_tick == 0
            if leg.relocates:
                state.position_known = False
                if not from_top:
                    _time_position(state, run.start_frame, leg.route_tick + first_tick)
            _send_start(state, run.start_frame, from_top)
            state.midi_rolling = state.position_known = True
        state.phase = run.phase_after()
    elif state.midi_rolling:
        send_stop(state, run.start_frame)
    _hand_over_clock(state, run)


def _meet(state: EngineState, run: LegRun) -> None:
    """A vamp or a waiting hold is met; a script may say how long it lasts."""
    if run.end is not None:
        state.vamps_met += 1
        return
    state.holds_met += 1
    if state.script is not None:
        usual = run.leg.length / state.rate
        seconds = state.script.hold_of(state.holds_met - 1, usual)
        run.release(run.start + seconds * state.rate)


def leaves(state: EngineState, tail: LegRun) -> bool:
    """Whether a vamp is left at the end of its present round."""
    if state.script is None or state.cue_pending:
        return state.cue_pending
    usual = tail.leg.usual_rounds
    return tail.round_no >= state.script.rounds_of(state.vamps_met - 1, usual)


def _send_start(state: EngineState, frame: int, from_top: bool) -> None:
    """Start or Continue, just before the first clock.

    Continue is for receivers that know where they are: stopped by a hold in this
    song, or told their song position. All others begin at their own top.
    """
    for index, port in enumerate(state.program.rig.ports):
        if port.start_stop:
            knows = state.position_known or (port.song_position and not from_top)
            data, why = (continue_(), "continue") if knows else (start(), "start")
            shift = state.outboxes[index].shift
            state.timed.add(frame - state.start_lead + shift, index, data, why)


def send_stop(state: EngineState, frame: int) -> None:
    """Stop on every port that follows the transport."""
    state.midi_rolling = False
    for index, port in enumerate(state.program.rig.ports):
        if port.start_stop:
            state.timed.add(frame + state.outboxes[index].shift, index, stop(), "stop")


def _hand_over_clock(state: EngineState, run: LegRun) -> None:
    """Where the free clock ends or begins again around a leg."""
    if run.clock_frames is not None:
        # No free clock may come between Start and the first clock of the new grid. The
        # free grid ends no earlier than needed, because the leg is decided that late.
        first = run.start_frame
        if not run.leg.counted and run.first_clock < len(run.clock_frames):
            first = int(run.clock_frames[run.first_clock])
        state.free_clock.end_at(first - 2 * state.start_lead)
        return
    # A hold: the grid goes on at the tempo before it.
    interval = clock_interval(run.leg.last_qpm, state.rate) * state.stretch
    gap = Fraction(-state.phase % TICKS_PER_CLOCK, TICKS_PER_CLOCK)
    state.free_clock.add(run.start + interval * gap, interval)


def join_next(state: EngineState, block_end: int) -> None:
    """Decide every leg that cannot wait for the next block."""
    while (tail := state.tail) is not None:
        if tail.end is not None and tail.end_frame >= state.stop_frame:
            return
        following = _following(state, tail)
        if following is None:
            tail.ends_song = True
            return
        tail.ends_song = False  # a jump may have been asked for since
        leg = state.program.songs[following[0]].legs[following[1]]
        ahead = leg.lookahead_frames + state.margin
        if tail.end is None:
            if not state.cue_pending:
                return
            tail.release(Fraction(block_end + ahead))
            state.cue_pending = False
        elif tail.end_frame - ahead > block_end:
            return
        begins, jumped = _end_of(state, tail), following[1] == state.jump_leg
        if jumped:
            arrive(state, tail, following[1])
            state.jump_leg = -1
        elif following[0] != tail.song_index:
            begins = _next_song(state, tail, leg)
        elif tail.leg.until_cue and following[1] != tail.leg_index:
            state.cue_pending = False
        plan_again(state, following[1], leg, tail.leg)
        place(state, following, leg, begins)
        state.runs[-1].jumped = jumped


def _end_of(state: EngineState, tail: LegRun) -> Fraction:
    """The exact end of a leg that has one; a hold ends on a clock of the box that is followed."""
    assert tail.end is not None
    if state.leader is not None and tail.leg.kind is LegKind.HOLD:
        tail.release(state.leader.on_grid(tail.end))
    return tail.end


def _following(state: EngineState, tail: LegRun) -> tuple[int, int, int] | None:
    """(song, leg, round) of what comes after the tail if it is decided now; None at the end."""
    song = state.program.songs[tail.song_index]
    if state.jump_leg >= 0 and is_section_end(song, tail):
        return tail.song_index, state.jump_leg, 1
    if tail.leg.until_cue and tail.leg.ticks and not leaves(state, tail):
        return tail.song_index, tail.leg_index, tail.round_no + 1
    if tail.leg_index + 1 < len(song.legs):
        return tail.song_index, tail.leg_index + 1, 1
    waits = song.then is Then.WAIT or (song.then is Then.GAP and state.leader is not None)
    if waits or tail.song_index + 1 == len(state.program.songs):
        return None
    legs = state.program.songs[tail.song_index + 1].legs
    first = 0 if song.then is Then.GAP else next(i for i, leg in enumerate(legs) if leg.counted)
    return tail.song_index + 1, first, 1


def arrive(state: EngineState, run: LegRun, target: int) -> None:
    """Prepare a jump from the end of a run to the start of another leg.

    Receivers are told by Stop, Song Position and Continue, so placed that the first
    clock after Continue is the bar line (MIDI 1.0 Detailed Specification 4.2.1, p. 28-31).
    """
    assert run.end is not None
    frame, leg = run.end_frame, state.song.legs[target]
    plan_arrival(state, run.song_index, target, frame)
    send_stop(state, frame - 2 * state.start_lead)
    _time_position(state, frame, leg.route_tick)
    state.position_known = True
    state.phase = 0
    state.told_tick = leg.route_tick
    state.timed_sounds.append((frame, None))
    rejoin_stems(state, target, 0, run.end)


def _time_position(state: EngineState, frame: int, tick: int) -> None:
    """Song position of a tick of the song, between the Stop and the Continue before a frame."""
    position = tick // TICKS_PER_SONG_POSITION
    for index, port in enumerate(state.program.rig.ports):
        if port.song_position and 0 <= position <= SONG_POSITION_MAX:
            at = frame - 3 * state.start_lead // 2 + state.outboxes[index].shift
            state.timed.add(at, index, song_position(position), "song position")


def is_section_end(song: CompiledSong, run: LegRun) -> bool:
    """Whether a pass through a section ends with a leg (a hold belongs to the pass it is in)."""
    if not run.leg.counted or run.leg_index + 1 >= len(song.legs):
        return run.leg.counted
    leg, after = run.leg, song.legs[run.leg_index + 1]
    return (leg.section_index, leg.pass_no) != (after.section_index, after.pass_no)


def _next_song(state: EngineState, tail: LegRun, leg: CompiledLeg) -> Fraction:
    """The exact start of the next song's first leg, where it follows by itself.

    After a segue its downbeat is this song's last bar line; after a gap it begins a
    whole number of frames before its bar 1, as any song does.
    """
    assert tail.end is not None
    state.position_known = False
    state.phase = state.vamps_met = state.holds_met = state.told_tick = 0
    song = state.program.songs[tail.song_index]
    state.timed_sounds.append((tail.end_frame, OPEN_FADERS))
    if song.then is Then.SEGUE:
        send_stop(state, tail.end_frame - 2 * state.start_lead)
        return tail.end
    tail.ends_song = True
    opening = leg.route_start * state.stretch
    begins = ceil(tail.end + song.gap_frames - opening) + opening
    send_stop(state, min(tail.end_frame, floor(begins) - 2 * state.start_lead))
    state.prepare_frame = tail.end_frame + song.gap_frames // 2
    interval = clock_interval(leg.first_qpm, state.rate) * state.stretch
    state.free_clock.add(tail.end + interval, interval)
    return begins


def stop_now(state: EngineState, frame: int) -> None:
    """Everything stops at a frame of the present block; the song waits to be started again."""
    state.runs.clear()
    state.tail = None
    rolling = [row[2] for row in state.timed.rows if row[4] == "stop" and not state.midi_rolling]
    state.timed.clear()
    state.timed_sounds.clear()
    state.arriving.clear()
    state.stop_frame = state.prepare_frame = NEVER
    state.cue_pending = False
    state.jump_leg = -1
    if state.midi_rolling:
        send_stop(state, frame)
    for port in rolling:  # a hold or a gap was decided, but its Stop has not left yet
        state.timed.add(frame + state.outboxes[port].shift, port, stop(), "stop")
    state.slots.clear()
    state.mixer.stop_all(frame - state.next_frame)
    rest_clock(state, frame)


def rest_clock(state: EngineState, frame: int) -> None:
    """From a frame on the clock runs freely at the coming song's tempo."""
    interval = clock_interval(state.song.legs[0].first_qpm, state.rate) * state.stretch
    state.free_clock.begin(frame + interval, interval)


def end_song(state: EngineState, run: LegRun) -> None:
    """A song's last leg has ended: the next song waits or comes by itself, or the set is over."""
    run.ends_song = False
    state.jump_leg = -1
    frame = run.end_frame
    state.runs = [other for other in state.runs if other.song_index != run.song_index]
    if state.song_index != run.song_index:
        return  # the next one has begun in the same block, after hardly any gap
    state.told_frame = frame
    state.now.songs_over += 1
    follows = state.tail is not run
    if not follows:
        state.tail = None
        if state.midi_rolling:
            send_stop(state, frame)
    if state.song_index + 1 == len(state.program.songs):
        state.go(Fact.SET_OVER)
        state.now.sets_over += 1
    else:
        state.song_index += 1
        state.now.forget_place()
        state.go(Fact.SONG_OVER)
        if not follows:
            state.prepare_frame = frame + PATCHES_AFTER_SECONDS * state.rate
    if not follows:
        rest_clock(state, frame)


def leave_song(state: EngineState, frame: int) -> None:
    """Everything has stopped at a frame, with nothing left of the song: the next one is there."""
    state.now.songs_over += 1
    state.told_frame = frame
    if state.song_index + 1 == len(state.program.songs):
        state.now.sets_over += 1
        return
    waits = 0 if state.song.then is Then.SEGUE else PATCHES_AFTER_SECONDS
    state.song_index += 1
    state.now.forget_place()
    state.prepare_frame = frame + waits * state.rate
    rest_clock(state, frame)


def choose_song(state: EngineState, step: int, frame: int) -> None:
    """Go to the next or previous song of the set while nothing plays."""
    chosen = min(max(state.song_index + step, 0), len(state.program.songs) - 1)
    if state.tail is not None:  # the next song was about to begin by itself
        stop_now(state, frame)
    state.song_index = chosen
    state.now.forget_place()
    state.prepare_frame = frame
    rest_clock(state, frame)


def bar_line_after(state: EngineState, frame: int) -> int:
    """The next bar line that is decided already and not before a frame."""
    lines = [line for run in state.runs for line, _ in run.lines()]
    ends = [run.end_frame for run in state.runs]
    return min((line for line in (*lines, *ends) if line >= frame), default=NEVER)


def leg_fact(run: LegRun) -> Fact:
    """What the start of a leg means to the transport."""
    if run.leg.kind is LegKind.HOLD:
        return Fact.HOLD_REACHED
    if run.leg.kind is not LegKind.SECTION:
        return Fact.COUNT_REACHED
    return Fact.VAMP_REACHED if run.leg.until_cue else Fact.DOWNBEAT
