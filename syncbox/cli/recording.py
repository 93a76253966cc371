"""What `rehearse` records beside a session: a take, and what is said into a microphone."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.errors import DeviceError, EngineError

if TYPE_CHECKING:
    from syncbox.drivers.choose import Choice
    from syncbox.drivers.recorder import Recorded, RecordJob, TakeRecorder
    from syncbox.drivers.session import Session
    from syncbox.drivers.status import Status
    from syncbox.drivers.tape import Tape
    from syncbox.drivers.tapewriter import WriteJob


class Recording:
    """One recording, from the choice of the driver to the files."""

    def __init__(self, inputs: tuple[str, ...], talk: str, folder: Path, song: str) -> None:
        """`folder` is the show's; inputs are named as --record and --talk name them."""
        self._inputs, self._microphone = inputs, talk
        self._folder, self._song = folder, song
        self._choice: Choice | None = None
        self._tape: Tape | None = None  # PortAudio's; JACK has none
        self._zero = 0  # the audio system's number of the engine's frame 0
        self._running: tuple[TakeRecorder, ...] = ()
        self.take: Recorded | None = None
        self.talk: Recorded | None = None

    @property
    def wanted(self) -> bool:
        return bool(self._inputs or self._microphone)

    @contextmanager
    def on(self, driver: str, device: str | None) -> Iterator[Choice]:
        """The driver that plays, chosen so that it records what is wanted; before it plays.

        Raises DeviceError where it cannot.
        """
        from syncbox.drivers.choose import choose
        from syncbox.drivers.scan import scan

        if not self.wanted or driver == "simulated":
            choice, found = choose(driver, device), None
        else:
            found = scan(device if driver == "jack" else None)
            choice = choose(driver, device, found=found)
        with ExitStack() as stack:
            if self.wanted and choice.driver == "portaudio" and found is not None:
                from syncbox.drivers.inputs import wanted_inputs
                from syncbox.drivers.tape import Tape

                job = wanted_inputs(self._names(), choice, found)
                self._tape = Tape.create(job)
                stack.callback(self._tape.close)
                choice = dataclasses.replace(choice, tape=self._tape.job)
            elif self.wanted and choice.driver != "jack":
                raise DeviceError(
                    f"takes are recorded through JACK or an audio device, this is {choice.driver}",
                    hint="start a JACK server, plug in an interface, or leave out --record "
                    "and --talk",
                )
            self._choice = choice
            yield choice

    def _names(self) -> tuple[str, ...]:
        return tuple(filter(None, (*self._inputs, self._microphone)))

    @contextmanager
    def beside(self, session: Session) -> Iterator[None]:
        """Record as long as this runs, if it was asked for."""
        if not self.wanted:
            yield
            return
        from syncbox.rehearsal.takes import new_recording_path

        stamp = f"{datetime.now():%Y-%m-%d %H.%M}"
        path = new_recording_path(self._folder, self._song, stamp)
        with ExitStack() as stack:
            stack.callback(_remove_if_empty, path)  # nothing was recorded, or only what was said
            take = self._recorder(self._inputs, path, stack)
            self.take = take.so_far if take else None
            microphone = (self._microphone,) if self._microphone else ()
            talk = self._recorder(microphone, path.with_stem(f"{path.stem} talk"), stack)
            self._running = tuple(filter(None, (take, talk)))
            try:
                yield
            finally:
                self._running = ()
                self._zero = session.status().audio_frame_zero
                self.take, self.talk = _finished(take), _finished(talk)

    def _recorder(
        self, inputs: tuple[str, ...], path: Path, stack: ExitStack
    ) -> TakeRecorder | None:
        from syncbox.drivers.recorder import TakeRecorder

        if not inputs:
            return None
        recorder = TakeRecorder(self._job(inputs, path))
        stack.callback(recorder.abandon)
        click.echo(f"recording to {path}")
        return recorder

    def _job(self, inputs: tuple[str, ...], path: Path) -> RecordJob | WriteJob:
        from syncbox.drivers.inputs import input_number
        from syncbox.drivers.recorder import RecordJob
        from syncbox.drivers.tapewriter import WriteJob

        assert self._choice is not None
        if self._tape is None:
            return RecordJob(self._choice.device, inputs, str(path))
        job = self._tape.job
        columns = tuple(job.channels.index(input_number(name)) for name in inputs)
        return WriteJob(job, columns, str(path))

    @property
    def broken_off(self) -> bool:
        """Whether something that shall be recorded is not any more."""
        return not all(recorder.alive for recorder in self._running)

    def follow(self, status: Status) -> None:
        """Learn where the engine's frame 0 lies, while the session runs."""
        self._zero = status.audio_frame_zero

    def place(self, frame: int, done: Recorded) -> int:
        """Where a frame of the engine is in a recording; JACK counts in 32 bits."""
        place = (frame + self._zero - done.first_frame_time) % 2**32
        return place if place < 2**31 else place - 2**32  # before it began


def _remove_if_empty(path: Path) -> None:
    with suppress(OSError):
        if not path.stat().st_size:
            path.unlink()


def _finished(recorder: TakeRecorder | None) -> Recorded | None:
    """What was recorded; if the recorder broke off, what is known of its file."""
    if recorder is None:
        return None
    try:
        return recorder.finish()
    except (DeviceError, EngineError) as error:
        click.echo(f"the recording broke off: {error}; its file is kept", err=True)
        return recorder.so_far
