"""Recording a take in sample lock: a JACK client in a process of its own that writes a WAV file.

With JACK the engine never records: its callback must not touch a file. JACK gives every client
the same frame numbers, so the take's first frame is known on the engine's own clock.
The callback copies into a ring that was made before it ran; a writer thread empties
it. The file's header is kept up to date, so a take cut short by a power failure opens.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np

from syncbox.drivers import system
from syncbox.drivers.child import Child
from syncbox.engine.process import answer
from syncbox.errors import DeviceError, SyncboxError

if TYPE_CHECKING:
    from syncbox.drivers.tapewriter import WriteJob

CLIENT_NAME = "syncbox-take"
STOP = b"s"
RING_SECONDS = 20
_WRITE_EVERY_S = 0.2
_MASK, _HALF = 0xFFFF_FFFF, 0x8000_0000  # JACK counts frames in 32 bits
_UPDATE_HEADER_AUTO = 0x1061  # libsndfile's SFC_SET_UPDATE_HEADER_AUTO


@dataclass(frozen=True, slots=True)
class RecordJob:
    """Which JACK ports to record, by name or pattern, one channel each, and where to."""

    server: str
    inputs: tuple[str, ...]
    path: str


@dataclass(frozen=True, slots=True)
class Recorded:
    """A finished recording. `first_frame_time` is the audio system's number of its first frame.

    That is JACK's number, which counts in 32 bits, or the engine's own with PortAudio.
    """

    path: str
    rate: int
    first_frame_time: int
    frames: int
    lost_frames: int


class TakeRecorder:
    """The host's handle: records from its construction until `finish`."""

    def __init__(self, job: RecordJob | WriteJob) -> None:
        """Raises DeviceError for a server or port that is not there."""
        self._job = job
        writer = "recorder" if isinstance(job, RecordJob) else "tapewriter"
        self._child = Child("recorder", f"syncbox.drivers.{writer}", job)
        try:
            facts = self._child.answer(patience_s=10.0)
        except BaseException:
            self.abandon()
            raise
        self.rate = int(facts["rate"])
        self.first_frame_time = int(facts["first_frame_time"])

    def finish(self) -> Recorded:
        """Stop, and say what was recorded."""
        self._child.tell(STOP)
        facts = self._child.answer(patience_s=30.0)
        self._child.leave(patience_s=5.0)
        self._child.close()
        return Recorded(
            self._job.path,
            self.rate,
            self.first_frame_time,
            int(facts["frames"]),
            int(facts["lost_frames"]),
        )

    @property
    def alive(self) -> bool:
        """Whether it still records; `finish` says why not."""
        return self._child.alive

    @property
    def so_far(self) -> Recorded:
        """What is known of the recording without asking; its length is not."""
        return Recorded(self._job.path, self.rate, self.first_frame_time, 0, 0)

    def abandon(self) -> None:
        """End it at once; what was written so far stays."""
        self._child.kill()
        self._child.close()


class _Tape:
    """The ring between the callback and the writer. Frames count from the first block."""

    def __init__(self, client: Any, channels: int) -> None:
        self._client = client
        self.ports = [client.inports.register(f"take_{n}") for n in range(1, channels + 1)]
        self._numbered = list(enumerate(self.ports))
        self.size = RING_SECONDS * client.samplerate
        self.ring = np.zeros((self.size, channels), dtype=np.float32)
        self.ring.fill(0.0)  # every page is there before the callback writes to it
        self.first_frame_time = -1
        self.frames = 0
        self.lost_frames = 0
        self.begun = threading.Event()

    def process(self, count: int) -> None:
        """The callback: copy and count."""
        frame_time = self._client.last_frame_time
        if self.first_frame_time < 0:
            self.first_frame_time = frame_time
            if not self._client.realtime:
                system.ask_for_priority(system.ENGINE_PRIORITY)
            self.begun.set()
        lost = (frame_time - self.first_frame_time - self.frames) & _MASK
        if 0 < lost < min(_HALF, self.size):
            self._silence(lost)
        first = self.frames % self.size
        head = min(count, self.size - first)
        for channel, port in self._numbered:
            samples = port.get_array()
            self.ring[first : first + head, channel] = samples[:head]
            if head < count:
                self.ring[: count - head, channel] = samples[head:]
        self.frames += count

    def _silence(self, count: int) -> None:
        """Frames that never came are silent, so that the rest stays in its place."""
        first = self.frames % self.size
        head = min(count, self.size - first)
        self.ring[first : first + head] = 0.0
        self.ring[: count - head] = 0.0
        self.frames += count
        self.lost_frames += count

    def write_new(self, file: Any, written: int) -> int:
        """Write what has come since; gives how many frames are written now."""
        upto = self.frames
        while written < upto:
            first = written % self.size
            length = min(upto - written, self.size - first)
            file.write(self.ring[first : first + length])
            written += length
        return written


def _record(job: RecordJob) -> None:
    import jack
    import soundfile

    try:
        client = jack.Client(CLIENT_NAME, no_start_server=True, servername=job.server)
    except jack.JackOpenError:
        raise DeviceError(f"the JACK server {job.server} does not answer") from None
    found = [_find(client, name) for name in job.inputs]  # before there is a file
    tape = _Tape(client, len(job.inputs))
    client.set_process_callback(tape.process)
    gc.collect()
    gc.freeze()
    with soundfile.SoundFile(
        job.path, "w", client.samplerate, len(job.inputs), subtype="PCM_24", format="WAV"
    ) as file:
        keep_header_current(file)
        client.activate()
        for port, source in zip(tape.ports, found, strict=True):
            client.connect(source, port)
        if not tape.begun.wait(5.0):
            raise DeviceError(f"the JACK server {job.server} does not run")
        answer(
            {"ready": True, "rate": client.samplerate, "first_frame_time": tape.first_frame_time}
        )
        _write_until_stopped(client, tape, job, file)
    answer({"frames": tape.frames, "lost_frames": tape.lost_frames})


def _write_until_stopped(client: Any, tape: _Tape, job: RecordJob, file: Any) -> None:
    stopped = threading.Event()
    threading.Thread(target=wait_for_the_end, args=(stopped,), daemon=True).start()
    written = 0
    with disk_takes_it(job.path):
        while not stopped.wait(_WRITE_EVERY_S):
            written = tape.write_new(file, written)
        client.deactivate()
        tape.write_new(file, written)
    client.close()


def wait_for_the_end(stopped: threading.Event) -> None:
    """Set the event when the host says stop, or is gone: the take is kept either way."""
    sys.stdin.buffer.read(1)
    stopped.set()


@contextmanager
def disk_takes_it(path: str) -> Iterator[None]:
    """Say as a person would that a file cannot be written any further. Raises DeviceError."""
    import soundfile

    try:
        yield
    except (OSError, soundfile.SoundFileError, AssertionError):  # it asserts what was written
        raise DeviceError(
            "nothing more can be written",
            where=path,
            hint="is the disk full?",
        ) from None


def keep_header_current(file: Any) -> None:
    """Let what is written be readable at any moment, also if nobody ends the file."""
    import soundfile

    soundfile._snd.sf_command(file._file, _UPDATE_HEADER_AUTO, soundfile._ffi.NULL, 1)


def _find(client: Any, name: str) -> Any:
    there = client.get_ports(is_output=True, is_audio=True)
    fitting = [port for port in there if port.name == name or fnmatchcase(port.name, name)]
    if not fitting:
        names = ", ".join(port.name for port in there) or "none at all"
        raise DeviceError(f"no audio input is called {name}", hint=f"there is {names}")
    return fitting[0]


def main() -> None:
    """Entry of the process."""
    work_for_host(_record)


def work_for_host(record: Callable[[Any], None]) -> NoReturn:
    """Record what the host has told, and end the process; what went wrong is answered."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the host's business
    try:
        record(pickle.load(sys.stdin.buffer))
    except SyncboxError as error:
        answer({"what": error.what, "where": error.where, "hint": error.hint})
    except Exception as error:  # the host says it
        answer({"what": f"the recording failed: {error!r}", "where": "", "hint": ""})
    sys.stdout.flush()
    os._exit(0)  # libjack waits for a server that has gone, and a tape is still in use here
