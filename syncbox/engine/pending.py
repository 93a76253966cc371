"""How many bar lines lie before what a person asked for counts, so that the screens can say so.

A press that comes when the coming bar line is decided already counts for a later one.
"""

from __future__ import annotations

from syncbox.engine.moving import sounding
from syncbox.engine.run import NEVER
from syncbox.engine.state import EngineState


def stop_bars(state: EngineState) -> int:
    """Bar lines until the stop that was asked for: 1 is the coming one, 0 none was asked for."""
    return 0 if state.stop_frame == NEVER else _lines_until(state, state.stop_frame)


def trim_bars(state: EngineState) -> int:
    """Bar lines until the tempo that was asked for counts; 0: it does, or nothing plays."""
    if state.leader is not None or state.tail is None:
        return 0
    run = sounding(state)
    if run is None or not run.leg.ticks or run.stretch == state.stretch:
        return 0
    later = (other for other in state.runs if not other.started and other.stretch == state.stretch)
    first = next(later, None)
    return _lines_until(state, state.tail.end_frame if first is None else first.start_frame)


def sounding_permille(state: EngineState) -> int:
    """How far what sounds is above or below the written tempo by hand, in thousandths."""
    if state.leader is not None or state.tail is None:
        return 0 if state.leader is not None else state.trim_permille
    run = sounding(state)
    if run is None or not run.leg.ticks or run.stretch == state.stretch:
        return state.trim_permille
    return round(1000 / run.stretch - 1000)


def _lines_until(state: EngineState, frame: int) -> int:
    """Bar lines from now up to that of a frame, itself included."""
    lines = {line for run in state.runs for line, _ in run.lines()}
    lines.update(run.end_frame for run in state.runs)
    return 1 + sum(state.next_frame <= line < frame for line in lines)
