"""A recording played through the engine, and where in it the music is at a moment."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from syncbox.engine.transport import Command
from syncbox.errors import EngineError
from syncbox.units import NS_PER_SECOND

if TYPE_CHECKING:
    from syncbox.drivers.choose import Choice
    from syncbox.drivers.session import Session
    from syncbox.schedule.program import Program

SOURCE = "recording"


class Playback:
    """A recording that plays from `start` on."""

    def __init__(self, session: Session, rate: int) -> None:
        self._session = session
        self._rate = rate
        self._first_frame: int | None = None  # of the engine, where the recording begins

    def start(self) -> None:
        """Play from the beginning."""
        self._session.press(Command.START)

    def turn(self, command: Command) -> None:
        """Louder or softer."""
        self._session.press(command)

    @property
    def over(self) -> bool:
        """Whether it has been played to its end. Raises EngineError if the engine is gone."""
        status = self._session.status()
        if not (status.engine_alive or status.rescuing):
            raise EngineError(status.trouble or "the engine has stopped")
        if self._first_frame is None and status.now is not None and status.now.bar:
            self._first_frame = status.now.beat_frame - (status.now.bar - 1) * self._rate
        return status.now is not None and bool(status.now.sets_over)

    def seconds_at(self, host_ns: int) -> float | None:
        """Seconds of the recording that left the engine at a moment; None before it began."""
        if self._first_frame is None:
            return None
        status = self._session.status()
        since_s = (host_ns - status.host_ns) / NS_PER_SECOND
        return (status.frame - self._first_frame) / self._rate + since_s


@contextmanager
def playing(path: Path, choice: Choice) -> Iterator[Playback]:
    """A recording ready to be played on outputs 1 and 2.

    Raises UnreadableError for a file that is no sound, DeviceError without a device.
    """
    from syncbox.drivers.session import open_session

    program = recording_program(path, choice.rate)
    with open_session(program, choice) as session:
        yield Playback(session, choice.rate)


def recording_program(path: Path, rate: int) -> Program:
    """A song of bars of one second with the recording in it, and no click."""
    from syncbox.audio.clips import read_clip
    from syncbox.audio.voices import click_voices
    from syncbox.cli.one_sound import song_of_sound
    from syncbox.schedule.compile import compile_show
    from syncbox.score.rig import Mix, Rig, SetEntry, SetList, Show
    from syncbox.score.song import AudioKind

    sound = read_clip(path, rate)
    song = song_of_sound(SOURCE, path.name, sound, rate, AudioKind.STEM)
    mix = Mix(SOURCE, (1, 2), {SOURCE: 0.0}, ceiling_db=-1.0)
    show = Show("", Rig(mixes=(mix,)), SetList("", (SetEntry(SOURCE),)), {SOURCE: song})
    return compile_show(show, rate, {SOURCE: sound}, click_voices(rate))
