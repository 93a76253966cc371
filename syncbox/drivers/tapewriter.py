"""Recording a take from the engine's own inputs: a process that empties its tape into a file.

PortAudio's callback in the engine copies what came in onto a tape (`tape`); a process of its
own writes the file, so that a slow disk holds up nobody. The file's header is kept up to
date, so a take cut short by a power failure opens.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from typing import Any

from syncbox.drivers.recorder import (
    disk_takes_it,
    keep_header_current,
    wait_for_the_end,
    work_for_host,
)
from syncbox.drivers.tape import Tape, TapeJob
from syncbox.engine.process import answer
from syncbox.errors import DeviceError

_WRITE_EVERY_S = 0.2
_SETTLE_S = 5.0
_PIECE_FRAMES = 48_000


@dataclass(frozen=True, slots=True)
class WriteJob:
    """Which channels of a tape to write, counted from 0 as they lie on it, and where to."""

    tape: TapeJob
    columns: tuple[int, ...]
    path: str


def _write(job: WriteJob) -> None:
    import soundfile

    tape = Tape.attach(job.tape)
    deadline_s = time.monotonic() + _SETTLE_S
    while not tape.settled:  # some blocks, so that the way from the input is known
        if time.monotonic() > deadline_s:
            raise DeviceError(
                f"nothing comes from the inputs of {job.tape.device}",
                hint="may this program record? Some systems ask, or have a switch for it",
            )
        time.sleep(_WRITE_EVERY_S / 10)
    stopped = threading.Event()
    threading.Thread(target=wait_for_the_end, args=(stopped,), daemon=True).start()
    first, lost = tape.upto, tape.lost_frames
    channels, rate = len(job.columns), job.tape.rate
    with soundfile.SoundFile(job.path, "w", rate, channels, subtype="PCM_24", format="WAV") as file:
        keep_header_current(file)
        answer({"ready": True, "rate": rate, "first_frame_time": first - tape.latency_frames})
        written, upto, gone = first, first, 0
        with disk_takes_it(job.path):
            while not stopped.wait(_WRITE_EVERY_S):
                written, overwritten = _write_new(job, tape, file, written, upto)
                gone += overwritten
                upto = tape.upto  # for the next time: by then nobody writes there any more
            time.sleep(_WRITE_EVERY_S / 10)
            written, overwritten = _write_new(job, tape, file, written, tape.upto)
    answer(
        {
            "frames": written - first,
            "lost_frames": tape.lost_frames - lost + gone + overwritten,
        }
    )


def _write_new(job: WriteJob, tape: Tape, file: Any, written: int, upto: int) -> tuple[int, int]:
    """(up to where it is written now, frames that were overwritten before)."""
    gone = 0
    while written < upto:
        end = min(upto, written + _PIECE_FRAMES)
        sound, overwritten = tape.copy(written, end, job.columns)
        file.write(sound)
        written, gone = end, gone + overwritten
    return written, gone


def main() -> None:
    """Entry of the process."""
    work_for_host(_write)
