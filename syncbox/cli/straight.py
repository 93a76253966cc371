"""`run --driver offline`: the same show as fast as the machine goes, for a quick look."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import click

from syncbox.cli.perform import Lines, minutes
from syncbox.drivers.offline import OFFLINE_BLOCK_FRAMES, PREROLL_SECONDS, play_state
from syncbox.engine.state import engine_state
from syncbox.engine.transport import Command, State

if TYPE_CHECKING:
    from syncbox.cli.view import Stage
    from syncbox.engine.script import CueScript
    from syncbox.schedule.program import Program


def play_straight_through(program: Program, stage: Stage, first: int, script: CueScript) -> None:
    """From a song of the set to the set's end without waiting, a line for each section."""
    state = engine_state(program, song_index=first, frames_max=OFFLINE_BLOCK_FRAMES, script=script)
    lines, sent = Lines(stage), Counter[int]()
    seconds = 0.0
    blocks = play_state(
        state, songs=len(program.songs), block_frames=OFFLINE_BLOCK_FRAMES, tail_seconds=0.0
    )
    for frame, block in blocks:
        sent.update(message[1] for message in block.midi)
        seconds = frame / program.rate - PREROLL_SECONDS
        lines.follow(state.now, seconds)
        if state.now.sets_over:
            break
        if state.now.transport == State.WAITING and not stage.starts_by_itself(state.now):
            state.press(Command.START)
    names = [port.name for port in program.rig.ports]
    counted = ", ".join(f"{name} {sent[index]}" for index, name in enumerate(names))
    click.echo(f"{minutes(seconds)} offline ({program.rate} Hz); nothing was heard or written")
    click.echo(f"late events: {state.now.late_count}")
    click.echo(f"MIDI messages: {counted or 'none'}")
