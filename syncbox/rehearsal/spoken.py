"""Spoken notes: what was said after each mark, cut out of the recording of a microphone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from syncbox.errors import UnreadableError

NOTE_S = 12.0  # as long as a note lasts, if no other one begins
SILENT = 0.003  # -50 dB: nobody has spoken


def cut_notes(talk: Path, marks: Sequence[int]) -> list[str]:
    """A file beside `talk` for each mark, a frame of it; its name, empty where nothing was said.

    `marks` ascend. A note ends where the next begins. Raises UnreadableError for a
    recording that cannot be read, or a folder that cannot be written to.
    """
    import soundfile

    names = []
    try:
        with soundfile.SoundFile(talk) as file:
            begins = [min(max(0, mark), file.frames) for mark in marks]
            for number, begin in enumerate(begins, start=1):
                end = begins[number] if number < len(begins) else file.frames
                length = min(round(NOTE_S * file.samplerate), end - begin)
                file.seek(begin)
                said = file.read(length, dtype="float32")
                if not len(said) or np.abs(said).max() < SILENT:
                    names.append("")
                    continue
                path = talk.with_name(f"{talk.stem} note {number}.wav")
                soundfile.write(path, said, file.samplerate, "PCM_16")
                names.append(path.name)
    except (OSError, soundfile.SoundFileError) as error:
        raise UnreadableError(f"the spoken notes cannot be cut: {error}", where=str(talk)) from None
    return names
