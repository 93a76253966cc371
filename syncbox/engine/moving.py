"""Leaving the written order: jumps, repeats and tonight's tempo, each at a bar line.

The leg that is sounding is cut at the bar line and everything that was decided
after it is taken back; then the new place, or the same place at the new tempo, is
joined on exactly there. Patches that went out early for what no longer comes are
put right by chasing.
"""

from __future__ import annotations

from fractions import Fraction

from syncbox.engine.chasing import bar_offset
from syncbox.engine.planning import arrive, is_section_end, place
from syncbox.engine.run import NEVER, LegRun
from syncbox.engine.state import EngineState
from syncbox.units import TICKS_PER_CLOCK

TRIM_PERMILLE_MAX = 200  # a fifth faster or slower: more is another song
TRIM_STEP_PERMILLE = 10


def jump_at_bar(state: EngineState, section: int, block_end: int) -> bool:
    """Go to a section at the next bar line that can still be changed. False: no such place."""
    target = _first_leg(state, section)
    run = sounding(state)
    if target < 0 or run is None or not run.leg.counted:
        return False
    leg = state.song.legs[target]
    line = _next_line(state, run, block_end)
    _take_back(state, run, line)
    arrive(state, run, target)
    assert run.end is not None
    place(state, (run.song_index, target, 1), leg, run.end)
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
    state.jump_leg = target
    in_time = run.end_frame >= block_end + state.margin
    if in_time and is_section_end(state.song, run) and run is not state.tail:
        _take_back(state, run, len(run.bar_frames))  # what follows had been decided
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
    run = sounding(state)
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


def sounding(state: EngineState) -> LegRun | None:
    """The leg that has begun last, if anything plays."""
    begun = [run for run in state.runs if run.started]
    return begun[-1] if begun and state.tail is not None else None


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
    state.timed.drop_from(run.end_frame - 2 * state.start_lead)
    state.timed_sounds = [row for row in state.timed_sounds if row[0] < run.end_frame]
    state.midi_rolling = run.leg.counted
    state.free_clock.drop_from(run.end_frame)
    state.stop_frame = NEVER if state.stop_frame >= run.end_frame else state.stop_frame
