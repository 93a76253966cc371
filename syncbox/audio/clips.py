"""Sound files of a show: read whole, checked, and brought to the engine's sample rate.

Any format that libsndfile reads, one or two channels. Resampling is soxr's very
high quality: exact length, no delay (a click in the file stays where it is).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from syncbox.errors import ShowError, UnreadableError

if TYPE_CHECKING:
    from syncbox.score.song import Song

CHANNELS_MAX = 2
MPEG_FORMATS = frozenset({"MP3", "MPEG"})
MPEG_SLACK_FRAMES = 4 * 1152  # blocks of MPEG-1 layer III that a coder may count for its padding


@dataclass(frozen=True, slots=True)
class ClipInfo:
    """What a sound file's head says: frames a second, frames, channels.

    `is_exact`: a head of MPEG sound counts its coder's blocks, not frames.
    """

    rate: int
    frame_count: int
    channel_count: int
    is_exact: bool = True


def clip_info(path: Path) -> ClipInfo:
    """Rate, length and channels without reading the sound. Raises as `read_clip` does."""
    import soundfile

    _must_be_a_file(path)
    try:
        head = soundfile.info(str(path))
    except (soundfile.SoundFileError, OSError) as problem:
        raise _not_a_sound(path, problem) from None
    info = ClipInfo(
        int(head.samplerate), int(head.frames), int(head.channels), head.format not in MPEG_FORMATS
    )
    _must_be_playable(path, info)
    return info


def read_clip(path: Path, rate: int) -> NDArray[np.float32]:
    """The sound at `rate` frames a second, float32, shape (channels, n), channels 1 or 2.

    Raises UnreadableError for a missing or damaged file and ShowError for a sound
    that cannot be played: silence of no length, more than two channels, values
    that are not numbers.
    """
    import soundfile
    import soxr

    info = clip_info(path)
    try:
        sound, file_rate = soundfile.read(str(path), dtype="float32", always_2d=True)
    except (soundfile.SoundFileError, OSError) as problem:
        raise _not_a_sound(path, problem) from None
    if len(sound) < info.frame_count - (0 if info.is_exact else MPEG_SLACK_FRAMES):
        raise UnreadableError(
            f"the sound stops after {len(sound)} of {info.frame_count} frames",
            where=str(path),
            hint="the file is damaged; write it out again",
        )
    if not np.isfinite(sound).all():
        raise ShowError(
            "the sound holds values that are not numbers",
            where=str(path),
            hint="the file is damaged; write it out again",
        )
    if file_rate != rate:
        sound = soxr.resample(sound, file_rate, rate, quality="VHQ")
    return np.ascontiguousarray(sound.T)


def files_of(song: Song) -> tuple[str, ...]:
    """Names of the sound files that a song plays, in the order written, each once."""
    from syncbox.score.song import PlayAudio, SpokenCue

    bodies = (body for section in song.sections for body in (section.body, *section.endings))
    sounds = (
        item.what.file
        for body in bodies
        for item in body.items
        if isinstance(item.what, PlayAudio | SpokenCue)
    )
    return tuple(dict.fromkeys((*sounds, *(pad.file for pad in song.pads))))


def inside(folder: Path, name: str) -> Path:
    """The file of a name in a show's folder. Raises ShowError for a place outside it."""
    path = (folder / name).resolve()
    if not path.is_relative_to(folder.resolve()):
        raise ShowError(
            f"{name} lies outside the show folder",
            where=str(folder),
            hint="copy the sound into the show's audio folder",
        )
    return path


def _must_be_a_file(path: Path) -> None:
    if not path.is_file():
        what = "this is a folder, not a sound file" if path.is_dir() else "there is no such file"
        raise UnreadableError(what, where=str(path), hint="check the name and its ending")


def _must_be_playable(path: Path, info: ClipInfo) -> None:
    if info.channel_count > CHANNELS_MAX:
        raise ShowError(
            f"the sound has {info.channel_count} channels; one or two can be played",
            where=str(path),
            hint="mix it down to stereo",
        )
    if info.frame_count <= 0:
        raise ShowError("the sound is empty", where=str(path), hint="write it out again")


def _not_a_sound(path: Path, problem: Exception) -> UnreadableError:
    return UnreadableError(
        "this cannot be read as a sound file",
        where=str(path),
        hint=f"write it out again as WAV or FLAC; {_reason(problem)}",
    )


def _reason(problem: Exception) -> str:
    text = getattr(problem, "error_string", "") or str(problem)
    return f"the reader says: {text.rstrip('.')}"
