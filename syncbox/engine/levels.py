"""What a person does to the listener mixes while the show runs: one table of commands."""

from __future__ import annotations

from syncbox.engine.hands import play_pad
from syncbox.engine.mixer import LEVEL_STEP_DB, NOBODY
from syncbox.engine.state import EngineState
from syncbox.engine.transport import Command

VELOCITIES = 128  # a pad command carries its velocity below this
SHOWN_MIXES_MAX = 62  # bits that a snapshot has for muted mixes


def turn(state: EngineState, command: Command, argument: int) -> bool:
    """Carry out a command about mixes or pads. False: there is no such mix, source or pad."""
    mixer = state.mixer
    if command is Command.PLAY_PAD:
        pad, velocity = divmod(argument, VELOCITIES)
        if not 0 <= pad < len(state.song.pads):
            return False
        play_pad(state, pad, velocity, state.next_frame)
        return True
    known = len(state.program.sources if command is Command.SOLO_SOURCE else mixer.mixes)
    if not 0 <= argument < known:
        return False
    if command is Command.SOLO_SOURCE:
        mixer.solo_source_only(argument)
    elif command is Command.SOLO_MIX:
        mixer.solo_mix_only(argument)
    elif command is Command.MUTE_MIX:
        mixer.mute_mix(argument)
    else:
        step_db = LEVEL_STEP_DB if command is Command.MIX_LOUDER else -LEVEL_STEP_DB
        mixer.change_mix_level(argument, step_db)
        state.now.mix_turned = argument
    return True


def show_mixes(state: EngineState) -> None:
    """What a screen needs to know about the mixes."""
    mixer, now = state.mixer, state.now
    muted = 0
    for index, mix in enumerate(mixer.mixes[:SHOWN_MIXES_MAX]):
        if mix.muted or mixer.solo_mix not in (NOBODY, index):
            muted |= 1 << index
    now.mixes_muted = muted
    now.solo_source = mixer.solo_source
    if now.mix_turned >= 0:
        now.mix_turned_mdb = round(mixer.mixes[now.mix_turned].level_db * 1000)
