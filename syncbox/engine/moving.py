"""Leaving the written order: jumps, repeats and tonight's tempo, each at a bar line.

The leg that is sounding is cut at the bar line and everything that was decided
after it is taken back; then the new place, or the same place at the new tempo, is
joined on exactly there. Its patches leave just in time for that bar line; those that
went out for what no longer comes are put right by chasing.
"""

from __future__ import annotations

from fractions import Fraction

from syncbox.engine.chasing import bar_offset, chase
from syncbox.engine.planning import arrive, is_section_end, place
from syncbox.engine.run import NEVER, LegRun
from syncbox.engine.state import EngineState
from syncbox.units import TICKS_PER_CLOCK

TRIM_PERMILLE_MAX = 200  # a fifth faster or slower: more is another song
TRIM_STEP_PERMILLE = 10


def jump_at_bar(state: EngineState, section: int, block_end: int) -> bool:
    """Go to a section at the next bar line that can still be changed. False: no such place."""
    target = _first_leg(state, section)
    run = _changeable(state, block_end)
    if target < 0 or run is None or not run.leg.counted or run.song_index != state.song_index:
        return False
    leg = state.song.legs[target]
    line = _next_line(state, run, block_end)
    _take_back(state, run, line)
    arrive(state, run, target)
    assert run.end is not None
    place(state, (run.song_index, target, 1), leg, run.end)
    state.runs[-1].jumped = True
    return True


def jump_at_end(state: EngineState, section: int, block_end: int) -> bool:
    """Go to a section when the present one ends. False: no such place.

    In its last moments, when what follows is on its way to the ports, the press
    counts for the end of the section that comes.
    """
    target = _first_leg(state, section)
    run = sounding(state)
    if target < 0 or run is None:
        return False
    coming = _changeable(state, block_end)
    if coming is not None and coming.song_index != state.song_index:
        return False  # the next song is as good as there
    state.jump_leg = target
    jumped = _jumped(state) is not None
    in_time = run.end_frame >= block_end + state.margin
    if in_time and is_section_end(state.song, run) and run is not state.tail:
        _take_back(state, run, len(run.bar_frames))  # what follows had been decided
        if jumped:  # patches for it have gone out
            _chase_here(state, run)
    return True


def repeat_section(state: EngineState, block_end: int) -> bool:
    """Play the present section once more when it ends."""
    run = sounding(state)
    return run is not None and jump_at_end(state, run.leg.section_index, block_end)


def set_trim(state: EngineState, permille: int, block_end: int) -> None:
    """Tonight's tempo in thousandths above or below the written one, from the next bar line on."""
    permille = min(TRIM_PERMILLE_MAX, max(-TRIM_PERMILLE_MAX, permille))
    if permille == state.trim_permille:
        return
    run = _changeable(state, block_end)
    if (jump := _jumped(state)) is not None:
        state.trim_permille = permille
        state.stretch = Fraction(1000, 1000 + permille)
        if jump.start_frame >= block_end + state.margin:  # else the leg after it has the new tempo
            _place_anew(state, jump)
        return
    line = -1
    if run is not None and run.leg.ticks:
        line = _next_line(state, run, block_end)
        _take_back(state, run, line)
    state.trim_permille = permille
    state.stretch = Fraction(1000, 1000 + permille)
    if run is None or not 0 <= line < len(run.bar_frames):
        return  # the next leg that is joined on has the new tempo
    tick = run.leg.bars[line][1]
    state.phase = run.phase  # at the leg's start, which lies before the bar line
    assert run.end is not None
    begins = run.end - bar_offset(run.leg, tick) * state.stretch
    at = (run.song_index, run.leg_index, run.round_no)
    place(state, at, run.leg, begins, tick)


def _jumped(state: EngineState) -> LegRun | None:
    """The leg to which a jump leads that is decided and has not begun yet."""
    return next((run for run in state.runs if run.jumped and not run.started), None)


def _place_anew(state: EngineState, jump: LegRun) -> None:
    """The leg of a jump once more, where it was, at the tempo that holds now."""
    state.runs = state.runs[: state.runs.index(jump)]
    state.phase = jump.phase
    state.told_tick = jump.told_tick + jump.first_tick
    if jump.leg.until_cue and jump.round_no == 1:
        state.vamps_met -= 1  # it is met once
    at = (jump.song_index, jump.leg_index, jump.round_no)
    place(state, at, jump.leg, jump.start, jump.first_tick)
    state.runs[-1].jumped = True


def _chase_here(state: EngineState, run: LegRun) -> None:
    """The patches of the place that sounds, after a jump that does not come."""
    passed = run.order[: run.position]
    tick = int(run.leg.event_ticks[passed].max()) if passed else run.first_tick
    chase(state, run.song_index, run.leg_index, tick, state.next_frame)


def sounding(state: EngineState) -> LegRun | None:
    """The leg that has begun last, if anything plays."""
    begun = [run for run in state.runs if run.started]
    return begun[-1] if begun and state.tail is not None else None


def _changeable(state: EngineState, block_end: int) -> LegRun | None:
    """The leg that sounds, or the one after it when that is as good as there."""
    run = sounding(state)
    if run is None or run.end_frame >= block_end + state.margin:
        return run
    return next((other for other in state.runs if not other.started), run)


def _first_leg(state: EngineState, section: int) -> int:
    legs = state.song.legs
    found = (i for i, leg in enumerate(legs) if leg.counted and leg.section_index == section)
    return next(found, -1)


def _next_line(state: EngineState, run: LegRun, block_end: int) -> int:
    """Index of the next bar line of a run that is late enough to change; its end at the latest."""
    earliest = block_end + state.margin
    for index, frame in enumerate(run.bar_frames):
        if frame >= earliest and frame > run.start_frame:
            return index
    return len(run.bar_frames)


def _phase_at(run: LegRun, line: int) -> int:
    return (run.phase + _tick_at(run, line)) % TICKS_PER_CLOCK


def _tick_at(run: LegRun, line: int) -> int:
    return run.leg.bars[line][1] if line < len(run.bar_frames) else run.leg.ticks


def _take_back(state: EngineState, run: LegRun, line: int) -> None:
    """Cut a run at a bar line and forget every leg that was to come after it."""
    later = [other for other in state.runs if not other.started and other is not run]
    if later and run.leg.until_cue and later[0].leg_index != run.leg_index:
        state.cue_pending = True  # the vamp had been left, and is in its round again
    state.phase = _phase_at(run, line)
    state.told_tick = run.told_tick + _tick_at(run, line)
    run.cut(run.exact_bar(line))
    state.runs = [other for other in state.runs if other not in later]
    state.tail = run
    shifts = [outbox.shift for outbox in state.outboxes]
    state.timed.drop_from(run.end_frame - 2 * state.start_lead, shifts)
    state.timed_sounds = [row for row in state.timed_sounds if row[0] < run.end_frame]
    state.midi_rolling = run.leg.counted
    state.prepare_frame = NEVER  # the next song does not come
    state.arriving.clear()
    state.free_clock.drop_from(run.end_frame)
    state.stop_frame = NEVER if state.stop_frame >= run.end_frame else state.stop_frame
