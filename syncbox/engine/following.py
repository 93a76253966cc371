"""Following another box: its clock, start, continue, stop and song position are the master.

The rules are those of the MIDI 1.0 Detailed Specification 4.2.1, p. 27-32: nothing moves
between Start or Continue and the next clock, and that clock is the position; song
position and clocks while stopped only prepare; what is redundant is ignored. Where the
clock is locked the first one after Start is foretold, so that our own Start leaves
before it. While music plays, every clock of the leader moves what is still to come onto
its grid; what has been handed out stays, so nothing is sent twice or left out.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np

from syncbox.engine.chasing import chase, prepare_song, send_position
from syncbox.engine.entering import enter, top_of
from syncbox.engine.leader import Leader, Spot, clock_phase
from syncbox.engine.places import clock_after, is_over, next_spot, runs_after, unsent
from syncbox.engine.planning import leave_song, stop_now
from syncbox.engine.ports import clock_interval
from syncbox.engine.run import NEVER, LegRun
from syncbox.engine.servo import (
    GAP_INTERVALS,
    MAP_CLOCKS,
    Lock,
    Servo,
    begun,
    missing,
    step,
    waited,
)
from syncbox.engine.state import EngineState
from syncbox.engine.transport import Command, State
from syncbox.midi.messages import clock
from syncbox.units import CLOCKS_PER_QUARTER, TICKS_PER_SONG_POSITION

FIRST_CLOCK_S = 0.25  # a clock foretold for Start that is later than this does not come
_OWN_CLOCK = clock()
_PLAYING = (State.COUNTING_IN, State.ROLLING, State.VAMPING, State.HOLDING)


def follow(state: EngineState, first: int) -> None:
    """Take in what the leader has said, before the block that begins at `first` is decided."""
    leader = state.leader
    if leader is None:
        return
    _keep_place(state, leader)
    for frame, message in leader.heard:
        _take(state, leader, frame, message, first)
    leader.heard.clear()
    leader.servo = waited(leader.servo, first, _interval(state, leader))
    if leader.placed is not None and first > leader.placed.start_frame + (
        FIRST_CLOCK_S * state.rate
    ):
        _wait_again(state, leader, first)
    if leader.moved:
        leader.moved = False
        _move_music(state, leader, first)


def is_for_leader(state: EngineState, command: Command) -> bool:
    """Whether a press only changes what the song waits for; if so, it is done.

    After Start the song waits for the leader, until Stop. Start a second time, while no
    clock is heard, begins without one.
    """
    leader = state.leader
    if leader is None or state.transport in _PLAYING:
        return False
    if command is Command.START and leader.armed and leader.servo.lock is Lock.GONE:
        leader.armed = leader.leads = False
        leader.let_go()
        state.stretch = Fraction(1000, 1000 + state.trim_permille)
        return False
    if command is Command.START:
        leader.armed = True
        prepare_song(state, state.next_frame)
        return True
    if command is Command.STOP and leader.armed:
        leader.armed = False
        return True
    return False


def _keep_place(state: EngineState, leader: Leader) -> None:
    """What others have done since the last block: stopped, jumped, chosen another song."""
    if leader.leads and state.transport not in _PLAYING:
        leader.let_go()
        leader.leads = False
        leader.spot = top_of(state)
    run = leader.run
    if run is not None and not run.started and run not in state.runs:  # it was taken back
        later = next((r for r in state.runs if not r.started and r.leg.counted), None)
        if later is None:
            leader.let_go()
        else:
            leader.stand_on(later, later.first_clock + leader.index - run.first_clock)
    if leader.song_index != state.song_index and state.transport not in _PLAYING:
        leader.song_index = state.song_index
        leader.spot = top_of(state)
    while leader.owed and leader.run is not None and (following := clock_after(state, leader)):
        leader.stand_on(following[0], following[1])
        leader.owed -= 1
        leader.moved = not leader.owed


def _take(state: EngineState, leader: Leader, frame: int, message: bytes, first: int) -> None:
    """One message of the leader. What is redundant does nothing."""
    match message[0]:
        case 0xF8:
            _take_clock(state, leader, frame, first)
        case 0xFA:
            _take_start(state, leader, top_of(state), frame, first)
        case 0xFB:
            if leader.leads and state.transport == State.HOLDING:
                state.cue_pending = True
            _take_start(state, leader, leader.spot, frame, first)
        case 0xFC:
            _take_stop(state, leader, frame, first)
        case 0xF2:
            _take_position(state, leader, message[1] + 128 * message[2], first)
        case _:
            pass


# --- start, stop, position -------------------------------------------------------------------


def _take_start(
    state: EngineState, leader: Leader, spot: Spot | None, frame: int, first: int
) -> None:
    if not state.may(Command.START) or spot is None or leader.pending:
        return
    leader.let_go()
    leader.spot, leader.pending, leader.armed = spot, True, False
    if leader.trusted:
        interval = _interval(state, leader) * leader.servo.ratio
        due = leader.servo.frame + interval
        while due < frame - interval / 2:
            due += interval
        _begin(state, leader, due, first)


def _begin(state: EngineState, leader: Leader, due: float, first: int) -> None:
    """Place the music so that its first clock is the one that is due at a frame."""
    assert leader.spot is not None
    state.stretch = leader.stretch
    begins = max(Fraction(due) + leader.offset, Fraction(first + state.start_lead))
    leader.placed, leader.leads = enter(state, leader.spot, begins), True
    leader.floor = int(begins) - state.start_lead // 2  # Start must stay 1 ms before its clock


def _wait_again(state: EngineState, leader: Leader, first: int) -> None:
    """The clock that was foretold has not come: nothing moves before it does."""
    state.go(Command.STOP)
    stop_now(state, first)
    leader.let_go()
    leader.pending, leader.leads = True, False


def _take_stop(state: EngineState, leader: Leader, frame: int, first: int) -> None:
    """Stop at once, with as many clocks sent as were heard; Continue goes on after them."""
    leader.pending = False
    if not leader.leads or not state.may(Command.STOP) or state.transport not in _PLAYING:
        return
    frame, song_over = max(frame, first + 1), False
    if leader.placed is None:
        leader.spot = spot = next_spot(state, leader)
        song_over = is_over(state, leader, spot)
    due = [
        (min(max(first, at + group.shift), frame - 1), port)
        for number, group in enumerate(state.groups)
        for at in unsent(state, leader, number)
        for port in group.ports
    ]
    leader.let_go()
    leader.leads = False
    state.go(Command.STOP)
    stop_now(state, frame)
    for at, port in due:
        state.timed.add(at, port, _OWN_CLOCK, "clock")
    if song_over:
        leave_song(state, frame)
        leader.spot = leader.spot or top_of(state)
    leader.song_index = state.song_index


def _take_position(state: EngineState, leader: Leader, position: int, first: int) -> None:
    """Song position while stopped: find the place, prepare it and tell the receivers."""
    if state.transport in _PLAYING or leader.pending:
        return
    tick = position * TICKS_PER_SONG_POSITION
    leader.spot = None
    for index, leg in enumerate(state.song.legs):
        rounds = max(1, leg.usual_rounds) if leg.until_cue else 1
        within = tick - leg.route_tick
        if leg.counted and 0 <= within < leg.ticks * rounds:
            ticks = leg.clock_ticks[clock_phase(leg)]
            number = int(ticks.searchsorted(within % leg.ticks))
            leader.spot = Spot(index, 1 + within // leg.ticks, number)
            chase(state, state.song_index, index, within % leg.ticks, first)
            send_position(state, first, tick)
            return


# --- clocks ----------------------------------------------------------------------------------


def _take_clock(state: EngineState, leader: Leader, frame: int, first: int) -> None:
    if leader.run is not None:
        _count_clock(state, leader, frame)
        return
    if leader.resumed is not None and _resume(state, leader, leader.resumed, frame):
        return
    interval = _interval(state, leader)
    servo = leader.servo
    silence = frame - servo.heard
    if servo.lock is Lock.GONE or silence > GAP_INTERVALS * interval * servo.ratio:
        leader.servo = begun(servo, frame)
    else:
        lost = missing(servo, frame, interval)
        if lost < 0:
            leader.doubled += 1
            return
        leader.servo = step(servo, frame, interval * (1 + lost), 1 + lost)
    if leader.pending:
        if leader.placed is None:
            _begin(state, leader, leader.servo.frame, first)
        run = leader.placed
        assert run is not None
        leader.pending, leader.placed = False, None
        leader.stand_on(run, run.first_clock)
        leader.moved = True
    elif leader.leads:
        _find_clock(state, leader, frame)
    if leader.run is None and leader.trusted and state.free_clock.due < NEVER:
        clock_frame = leader.servo.frame + leader.offset
        state.free_clock.steer(clock_frame, interval * leader.servo.ratio)


def _find_clock(state: EngineState, leader: Leader, frame: int) -> None:
    """Count again after a hold, or in music that another engine began: by the nearest clock."""
    tail = state.tail
    found = None if tail is None else _nearest_clock([tail], frame + leader.offset)
    if found is None:
        return
    run, number, ours = found
    if abs(ours - frame - leader.offset) > leader.interval * leader.servo.ratio / 2:
        return
    if leader.servo.clocks <= MAP_CLOCKS:  # our own grid knows more than one clock does
        leader.servo = replace(leader.servo, frame=float(ours - leader.offset))
    leader.stand_on(run, number)
    leader.moved = True


def _nearest_clock(runs: list[LegRun], frame: int) -> tuple[LegRun, int, int] | None:
    """Our counted clock nearest to a frame: its run, its number there and its frame."""
    found: tuple[LegRun, int, int] | None = None
    for run in runs:
        if not run.leg.counted or run.clock_frames is None:
            continue
        ours = run.clock_frames[run.first_clock :]
        if len(ours):
            number = int(np.abs(ours - frame).argmin())
            if found is None or abs(int(ours[number]) - frame) < abs(found[2] - frame):
                found = run, run.first_clock + number, int(ours[number])
    return found


def _resume(state: EngineState, leader: Leader, known: Servo, frame: int) -> bool:
    """The first clock since another engine's place. Whether it is one of those that we count."""
    leader.resumed = None
    found = _nearest_clock(state.runs, frame + leader.offset)
    if found is None or not leader.leads:
        return False
    run, number, ours = found
    leader.stand_on(run, number)
    interval = float(leader.grid[number] - leader.grid[number - 1]) if number else leader.interval
    if abs(ours - frame - leader.offset) > interval * known.ratio / 2:
        leader.let_go()
        return False
    leader.interval = interval
    due = ours - leader.offset
    before = replace(known, frame=due - interval * known.ratio, heard=float(frame))
    leader.servo = step(before, frame, interval)
    leader.moved = True
    return True


def _count_clock(state: EngineState, leader: Leader, frame: int) -> None:
    """A clock that stands for one of ours, after those that were lost before it."""
    following = clock_after(state, leader)
    interval = leader.interval if following is None else following[2]
    lost = missing(leader.servo, frame, interval)
    if lost < 0:
        leader.doubled += 1
        return
    leader.missed += lost
    span = 0.0
    for _ in range(lost + 1):
        following = clock_after(state, leader)
        if following is not None and not leader.owed:
            leader.stand_on(following[0], following[1])
            leader.interval = following[2]
            span += following[2]
        else:
            leader.owed += 1
            span += leader.interval
    leader.servo = step(leader.servo, frame, span, lost + 1)
    leader.moved = not leader.owed
    run = leader.run
    assert run is not None
    if leader.owed and (run is not state.tail or run.ends_song):  # a hold or the song's end
        leader.let_go()


def _interval(state: EngineState, leader: Leader) -> float:
    """Frames of the map between two clocks where the leader is now.

    Where its clocks are free that is the tempo of what comes, and the ratio is kept so
    that its tempo stays what it was.
    """
    if leader.run is not None:
        return leader.interval
    if leader.leads and not leader.pending and state.tail is not None:
        tempo_qpm = state.tail.leg.last_qpm
    else:
        spot = leader.spot or top_of(state)
        tempo_qpm = state.song.legs[spot.leg_index].first_qpm
    interval = float(clock_interval(tempo_qpm, state.rate))
    if leader.interval and leader.interval != interval and leader.servo.lock is not Lock.GONE:
        ratio = leader.servo.ratio * leader.interval / interval
        leader.servo = replace(leader.servo, ratio=ratio)
    leader.interval = interval
    return interval


# --- moving the music ------------------------------------------------------------------------


def _move_music(state: EngineState, leader: Leader, first: int) -> None:
    """Bring everything from the frame `first` on onto the leader's grid."""
    run, floor = leader.run, max(first, leader.floor)
    if run is None:
        return
    offsets = run.clock_offsets
    assert offsets is not None
    state.stretch = stretch = leader.stretch
    upcoming = [other for other in state.runs if not other.started]
    border = upcoming[0].start_frame if upcoming else run.end_frame
    stop = _stop_place(state)
    run.move(leader.clock_frame - offsets.exact(leader.index, stretch), stretch, floor)
    before = run
    for later in runs_after(state, run):
        assert before.end is not None
        later.move(before.end, stretch, floor)
        before = later
    if stop is not None:
        state.stop_frame = max(floor, stop[0].line_frame(stop[1]))
    moved = (upcoming[0].start_frame if upcoming else run.end_frame) - border
    if moved:
        state.timed.move(moved, first)
        state.timed_sounds = [(max(first, at + moved), what) for at, what in state.timed_sounds]
        state.free_clock.move(moved)


def _stop_place(state: EngineState) -> tuple[LegRun, int] | None:
    """The bar line at which a stop was asked for."""
    if state.stop_frame == NEVER:
        return None
    for run in state.runs:
        for index in range(len(run.bar_frames) + 1):
            if run.line_frame(index) == state.stop_frame:
                return run, index
    return None


def show_leader(state: EngineState) -> None:
    """Tell the outside how well the leader is known."""
    leader = state.leader
    if leader is None:
        return
    now, servo = state.now, leader.servo
    now.leader_lock = int(servo.lock)
    now.leader_armed = int(leader.armed or leader.pending)
    now.leader_leads = int(leader.leads)
    now.leader_mqpm = 0
    if servo.lock is not Lock.GONE and leader.interval:
        per_minute = 60_000 * state.rate / (leader.interval * servo.ratio * CLOCKS_PER_QUARTER)
        now.leader_mqpm = round(per_minute)
