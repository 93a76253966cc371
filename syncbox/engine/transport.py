"""The transport: which state the show is in, and what may happen next.

Two kinds of trigger reach it: commands from people (start, stop, cue) and facts
from the music (downbeat reached, vamp reached, song over). Only this table says
what each of them does; a pair that is not in it is refused and changes nothing.
"""

from __future__ import annotations

from enum import IntEnum, unique

from syncbox.errors import TransportError


class State(IntEnum):
    """What the band sees the box doing."""

    STOPPED = 0
    COUNTING_IN = 1
    ROLLING = 2
    VAMPING = 3
    HOLDING = 4
    WAITING = 5  # a song is over and the next one waits for start, or for its gap to pass


@unique
class Command(IntEnum):
    """What a person can ask for. The numbers go through shared memory."""

    START = 1
    STOP = 2
    STOP_AT_BAR = 3
    CUE = 4
    NEXT_SONG = 5
    PREVIOUS_SONG = 6
    PANIC = 7
    LOUDER = 8
    SOFTER = 9
    QUIT = 10
    JUMP_AT_BAR = 11  # to a section (argument: its index from 0) at the next bar line
    JUMP_AT_END = 12  # the same when the present section ends
    REPEAT_SECTION = 13  # play the present section once more
    MUTE_CLICK = 14  # off, and on again
    TEMPO_UP = 15  # one step of tonight's trim, from the next bar line on
    TEMPO_DOWN = 16
    TEMPO_TRIM = 17  # argument: thousandths above or below the written tempo
    MUTE_MIX = 50  # argument: its number from 0; the same again opens it
    SOLO_MIX = 51  # the same: only this mix is heard, or all again
    SOLO_SOURCE = 52  # argument: a source of the program, for a line check
    MIX_LOUDER = 53  # argument: the mix
    MIX_SOFTER = 54
    PLAY_PAD = 55  # argument: a pad of the present song, times 128, plus the velocity
    SELECT_PATCH = 24  # by hand, until the next section; see `override.choice`
    HIT_STICK = 25  # argument: the frame of the hit, 0 for now
    TAP_TEMPO = 26  # the same for a tap
    REFRESH_PORT = 40  # from the host, not from a person; see `returning.Refresh`


ARGUMENT = 256  # a command travels as one number: its own, plus this times its argument


def packed(command: int, argument: int = 0) -> int:
    """A command and its argument as one number."""
    return command + ARGUMENT * argument


def unpacked(number: int) -> tuple[Command, int]:
    """The command and argument of one number. Raises ValueError for an unknown command."""
    return Command(number % ARGUMENT), number // ARGUMENT


class Fact(IntEnum):
    """What the music reports."""

    COUNT_REACHED = 101
    DOWNBEAT = 102  # a section begins, or goes on after a hold
    VAMP_REACHED = 103
    HOLD_REACHED = 104
    BAR_STOP = 105  # the bar line at which a stop was asked for
    SONG_OVER = 106
    SEGUE = 107  # the next song's downbeat is this song's end
    SET_OVER = 108


Trigger = Command | Fact

_PLAYING = (State.COUNTING_IN, State.ROLLING, State.VAMPING, State.HOLDING)
_STILL = (State.STOPPED, State.WAITING)
_ALWAYS = (
    Command.PANIC,
    Command.LOUDER,
    Command.SOFTER,
    Command.MUTE_CLICK,
    Command.TEMPO_UP,
    Command.TEMPO_DOWN,
    Command.TEMPO_TRIM,
    Command.REFRESH_PORT,
    Command.SELECT_PATCH,
    Command.MUTE_MIX,
    Command.SOLO_MIX,
    Command.SOLO_SOURCE,
    Command.MIX_LOUDER,
    Command.MIX_SOFTER,
    Command.PLAY_PAD,
)

NEXT_STATE: dict[tuple[State, Trigger], State] = {
    (State.STOPPED, Command.START): State.COUNTING_IN,
    (State.WAITING, Command.START): State.COUNTING_IN,
    (State.VAMPING, Command.CUE): State.VAMPING,  # leaves at the end of the round
    (State.HOLDING, Command.CUE): State.HOLDING,  # goes on as soon as it can be prepared
    **{(state, Command.STOP): State.STOPPED for state in (*_PLAYING, State.WAITING)},
    **{(state, Command.STOP_AT_BAR): state for state in _PLAYING if state != State.HOLDING},
    **{(state, Command.NEXT_SONG): state for state in _STILL},
    **{(state, Command.PREVIOUS_SONG): state for state in _STILL},
    **{
        (state, command): state
        for state in _STILL
        for command in (Command.HIT_STICK, Command.TAP_TEMPO)
    },
    **{(state, command): state for state in State for command in _ALWAYS},
    **{
        (state, command): state
        for state in (State.ROLLING, State.VAMPING)
        for command in (Command.JUMP_AT_BAR, Command.JUMP_AT_END, Command.REPEAT_SECTION)
    },
    **{(state, Command.QUIT): State.STOPPED for state in State},
    **{(state, Fact.COUNT_REACHED): State.COUNTING_IN for state in _PLAYING},
    **{(state, Fact.DOWNBEAT): State.ROLLING for state in _PLAYING},
    **{(state, Fact.VAMP_REACHED): State.VAMPING for state in _PLAYING},
    **{(state, Fact.HOLD_REACHED): State.HOLDING for state in _PLAYING},
    # After a gap the next song begins by itself.
    (State.WAITING, Fact.COUNT_REACHED): State.COUNTING_IN,
    (State.WAITING, Fact.DOWNBEAT): State.ROLLING,
    (State.WAITING, Fact.VAMP_REACHED): State.VAMPING,
    **{(state, Fact.BAR_STOP): State.STOPPED for state in _PLAYING},
    **{(state, Fact.SONG_OVER): State.WAITING for state in _PLAYING},
    **{(state, Fact.SEGUE): State.ROLLING for state in _PLAYING},
    **{(state, Fact.SET_OVER): State.STOPPED for state in _PLAYING},
}


def next_state(state: State, trigger: Trigger) -> State:
    """The state after a trigger. Raises TransportError for a pair that means nothing."""
    target = NEXT_STATE.get((state, trigger))
    if target is None:
        raise TransportError(
            f"{trigger.name.lower().replace('_', ' ')} means nothing while "
            f"{state.name.lower().replace('_', ' ')}"
        )
    return target
