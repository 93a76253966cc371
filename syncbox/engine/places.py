"""Where the leader's clocks fall among ours: the next one, the one to go on with, those unsent."""

from __future__ import annotations

from syncbox.engine.leader import Leader, Spot
from syncbox.engine.run import LegRun
from syncbox.engine.state import EngineState
from syncbox.schedule.program import CompiledSong
from syncbox.score.rig import Then


def next_spot(state: EngineState, leader: Leader) -> Spot | None:
    """The clock after the last one heard; None at the end of a song that nothing goes on from."""
    run = leader.run
    following = clock_after(state, leader) if run is not None else None
    if following is not None:
        later, clock_no, _ = following
        sent = tuple(max(0, position - clock_no) for position in later.clock_positions)
        tick = int(later.leg.clock_ticks[later.phase][clock_no])
        told_tick, song = later.told_tick + tick, later.song_index
        # A song that has not begun begins with Start, unless somebody has had a clock of it.
        known = song == state.song_index or clock_no > 0 or any(sent)
        return Spot(
            later.leg_index, later.round_no, clock_no, sent, known, told_tick, later.phase, song
        )
    standing = run if run is not None else state.tail
    if standing is None:
        return None
    if standing.leg.until_cue and standing.leg.counted:
        return Spot(
            standing.leg_index, standing.round_no + 1, known=True, told_tick=state.told_tick
        )
    songs, here = state.program.songs, standing.song_index
    index = first_counted(songs[here], standing.leg_index + 1)
    if index >= 0:
        return Spot(index, known=True, told_tick=state.told_tick, song_index=here)
    if songs[here].then is Then.SEGUE and here + 1 < len(songs):
        return Spot(first_counted(songs[here + 1]), song_index=here + 1)
    return None


def first_counted(song: CompiledSong, leg_index: int = 0) -> int:
    """The first leg from one on in which clocks are counted; -1 if there is none."""
    legs = song.legs
    return next((i for i in range(leg_index, len(legs)) if legs[i].counted), -1)


def is_over(state: EngineState, leader: Leader, spot: Spot | None) -> bool:
    """Whether every clock of the present song has been heard."""
    if spot is not None:
        return spot.song_index > state.song_index
    standing = leader.run or state.tail
    return standing is not None and standing.song_index == state.song_index


def clock_after(state: EngineState, leader: Leader) -> tuple[LegRun, int, float] | None:
    """Our clock after the one that the leader stands on, and how far it is on the map.

    None where nothing is counted next, or where it is not decided yet.
    """
    run, number = leader.run, leader.index + 1
    assert run is not None
    assert run.clock_frames is not None
    here = leader.grid[leader.index]
    if number < len(run.clock_frames):
        return run, number, float(leader.grid[number] - here)
    span = length_of(run) - float(here)
    for later in runs_after(state, run):
        offsets = later.clock_offsets
        if not later.leg.counted or offsets is None or later.clock_frames is None:
            return None
        if later.first_clock < len(later.clock_frames):
            into = float(offsets.exact(later.first_clock))
            return later, later.first_clock, span + into
        span += length_of(later)
    return None


def runs_after(state: EngineState, run: LegRun) -> list[LegRun]:
    """What has been decided after a run, which may itself be over."""
    return state.runs[state.runs.index(run) + 1 :] if run in state.runs else state.runs


def length_of(run: LegRun) -> float:
    """Frames of the map from a run's start to its end."""
    assert run.end is not None
    return float((run.end - run.start) / run.stretch)


def unsent(state: EngineState, leader: Leader, group: int) -> list[int]:
    """Frames of the clocks that were heard, but not sent to a group of ports yet."""
    frames: list[int] = []
    if leader.run is None or leader.run not in state.runs:
        return frames
    for run in state.runs:
        if run.leg.counted and run.clock_frames is not None:
            end = leader.index + 1 if run is leader.run else None
            frames += run.clock_frames[run.clock_positions[group] : end].tolist()
        if run is leader.run:
            break
    return frames
