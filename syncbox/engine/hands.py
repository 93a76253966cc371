"""Sounds played by hand: pads that start now or on the grid, pedals that move a filter.

A pad that waits for the next beat or bar line begins on exactly the frame on which the
click of that beat is, however the grid came to be there. All of it runs in the
callback's thread.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from syncbox.engine.transport import State
from syncbox.schedule.hands import PadPlan
from syncbox.schedule.program import BeatMark, Program
from syncbox.score.hands import PadStart

if TYPE_CHECKING:
    from syncbox.engine.state import EngineState

WAITING_MAX = 32  # strokes that wait for the grid; what is more sounds at once
_ON_THE_GRID = (State.COUNTING_IN, State.ROLLING, State.VAMPING)
_NOTE_ON, _NOTE_OFF, _CONTROLLER = 0x90, 0x80, 0xB0


class Stroke(NamedTuple):
    """A pad that waits for the grid."""

    pad: PadPlan
    velocity: int
    frame: int


class Hands:
    """What waits to be played, and which messages play and move what."""

    def __init__(self, program: Program) -> None:
        self._pedals = program.pedals
        self._inputs = frozenset(pedal.meant.input for pedal in program.pedals) | frozenset(
            pad.meant.input for song in program.songs for pad in song.pads if pad.meant is not None
        )
        self.waiting: list[Stroke] = []
        self.moved: dict[int, int] = {}  # where each pedal that has moved is, the last one last
        self.struck = 0  # strokes that have sounded

    def take(self, state: EngineState, frame: int, input_index: int, message: bytes) -> bool:
        """A channel message of an input at a frame. Whether a pad or a pedal has it."""
        if input_index not in self._inputs or len(message) < 3:
            return False
        kind = message[0] & 0xF0
        if kind == _NOTE_OFF:  # of a pad: it sounds to its own end
            message = bytes((message[0] + _NOTE_ON - _NOTE_OFF, message[1], 0))
        found = False
        for index, pad in enumerate(state.song.pads):
            if pad.meant is not None and pad.meant.by(input_index, message):
                found = True
                if kind == _CONTROLLER or message[2]:
                    play_pad(state, index, message[2], frame)
        for index, pedal in enumerate(self._pedals):
            if pedal.meant.by(input_index, message):
                found = True
                move_pedal(state, index, message[2], frame)
        return found


def play_pad(state: EngineState, pad_index: int, velocity: int, frame: int) -> None:
    """A stroke of 1 to 127 on a pad of the present song, at a frame of the coming block.

    A pad that starts with the grid waits for it; where none runs it sounds at once.
    """
    if velocity <= 0:
        return
    pad, hands = state.song.pads[pad_index], state.hands
    waits = pad.start is not PadStart.NOW and state.transport in _ON_THE_GRID
    if waits and len(hands.waiting) < WAITING_MAX:
        hands.waiting.append(Stroke(pad, velocity, frame))
    else:
        _strike(state, pad, velocity, frame)


def move_pedal(state: EngineState, pedal_index: int, value: int, frame: int) -> None:
    """A pedal of the program at 0 to 127, from a frame of the coming block on."""
    pedal = state.program.pedals[pedal_index]
    state.hands.moved.pop(pedal_index, None)
    state.hands.moved[pedal_index] = value
    source = state.program.filters[pedal.filter].source
    delay = max(0, frame - state.next_frame)
    state.mixer.set_filter(source, pedal.moves, pedal.values[value], delay)


def beat_begins(state: EngineState, mark: BeatMark, frame: int) -> None:
    """A felt beat is at a frame: what waited for it sounds there."""
    waiting = state.hands.waiting
    for index in range(len(waiting) - 1, -1, -1):
        stroke = waiting[index]
        wants_bar = stroke.pad.start is PadStart.NEXT_BAR
        if stroke.frame <= frame and (mark.beat == 1 or not wants_bar):
            del waiting[index]
            _strike(state, stroke.pad, stroke.velocity, frame)


def _strike(state: EngineState, pad: PadPlan, velocity: int, frame: int) -> None:
    delay = max(0, frame - state.next_frame)
    gain = pad.gains[min(127, velocity)]
    state.hands.struck += 1
    state.mixer.strike(pad.clip, pad.source, gain, pad.group, delay)
