"""The offline driver: the same blocks, as fast as the machine goes, cues from a script."""

from __future__ import annotations

from collections.abc import Iterator

from syncbox.engine.render import render_block
from syncbox.engine.script import CueScript
from syncbox.engine.state import Block, EngineState, engine_state
from syncbox.engine.transport import Command
from syncbox.schedule.program import Program

OFFLINE_BLOCK_FRAMES = 4096
USUAL = CueScript()  # every vamp and hold as long as usual
PREROLL_SECONDS = 1  # silence before start is pressed: patches and the soft start are over by then


def play_through(
    program: Program,
    song_index: int = 0,
    *,
    script: CueScript = USUAL,
    songs: int = 1,
    block_frames: int = OFFLINE_BLOCK_FRAMES,
    tail_seconds: float = 2.0,
    level_db: float = 0.0,
) -> Iterator[tuple[int, Block]]:
    """Every block from a second of silence to the tail after the last of `songs` songs.

    Gives (first frame, block); a block is valid until the next is asked for. Frame 0 is
    the first of the silence, start is pressed at frame `PREROLL_SECONDS * rate`.
    """
    state = engine_state(
        program,
        song_index=song_index,
        frames_max=block_frames,
        level_db=level_db,
        script=script,
    )
    return play_state(state, songs=songs, block_frames=block_frames, tail_seconds=tail_seconds)


def play_state(
    state: EngineState, *, songs: int = 1, block_frames: int, tail_seconds: float
) -> Iterator[tuple[int, Block]]:
    """The same for an engine that the caller keeps, to look at between two blocks.

    The tail goes on until every sound has ended.
    """
    preroll = PREROLL_SECONDS * state.rate
    pressed, over_frame, frame = False, -1, 0
    while True:
        count = block_frames if pressed or frame == preroll else min(block_frames, preroll - frame)
        if frame == preroll and not pressed:
            state.press(Command.START)
            pressed = True
        yield frame, render_block(state, frame, count)
        frame += count
        if over_frame < 0 and state.now.songs_over + state.now.sets_over >= songs:
            over_frame = frame
        rung_out = over_frame >= 0 and not state.mixer.sounding
        if rung_out and frame - over_frame >= tail_seconds * state.rate:
            return
