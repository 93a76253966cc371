"""A take on disk, as onsets: sound of any rate and channel count, MIDI files, lists of taps."""

from __future__ import annotations

import os
import re
import struct
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from syncbox.errors import ShowError, UnreadableError
from syncbox.rehearsal.onsets import (
    HIGH,
    HOP,
    LOW,
    MIDDLE,
    RATE,
    Onsets,
    joined,
    onsets_of,
    onsets_of_times,
)

MIDI_ENDINGS = (".mid", ".midi", ".smf")
TAP_ENDINGS = (".txt", ".csv", ".tsv", ".taps")
HOURS_MAX = 3
_BLOCK_S = 30
_PIECE_FRAMES = 51_680 * HOP  # ten minutes, in whole steps of the strength curve
_RATE_MIN = 4000
_FULL, _CLIPPED_SHARE = 0.999, 1e-4  # two frames at full scale in a row; more than that is heard
_DECIMAL_COMMA = re.compile(r"\s*\d+,\d+\s*")
_OPPOSITE = -0.3  # correlation with the loudest channel
# General MIDI percussion key map: 35, 36 bass drums; 38, 40 snares; 42 to 59 hats and cymbals.
_LOW_KEYS = frozenset((35, 36))
_HIGH_KEYS = frozenset((42, 44, 46, 49, 51, 52, 53, 55, 57, 59))


@dataclass(frozen=True, slots=True)
class Seen:
    """What a first look at a recording says: how its channels add up, and what is wrong with it."""

    shares: NDArray[np.float32]  # (channels,); below 0 where the polarity is the opposite one
    rest: NDArray[np.float32]  # (channels,): where each channel rests, 0 in a good converter
    damage: tuple[str, ...]


def onsets_of_file(path: Path, *, channel: int | None = None, seen: Seen | None = None) -> Onsets:
    """Onsets of a take; channel (from 1) reads one channel of a multitrack instead of all.

    seen: of a look at it before, where there was one. Raises UnreadableError for a file that
    cannot be read or is damaged, ShowError for one that holds nothing to follow.
    """
    if not path.is_file():
        what = "this is a folder, not a take" if path.is_dir() else "there is no such file"
        raise UnreadableError(what, where=str(path), hint="check the name and its ending")
    ending = path.suffix.lower()
    if ending in MIDI_ENDINGS:
        return midi_onsets(path)
    if ending in TAP_ENDINGS:
        return tap_onsets(path)
    pieces = sound_pieces(path, channel=channel, seen=seen)
    return joined([onsets_of(piece) for piece in pieces])


def sound_pieces(
    path: Path, *, channel: int | None = None, seen: Seen | None = None
) -> Iterator[NDArray[np.float32]]:
    """One channel at RATE in pieces of ten minutes, so that hours need no more memory.

    All channels together, or the one asked for, from 1.
    """
    parts: list[NDArray[np.float32]] = []
    length = 0
    for chunk in _chunks(path, channel, seen):
        parts.append(chunk)
        length += len(chunk)
        if length >= _PIECE_FRAMES + RATE:
            whole = np.concatenate(parts)
            yield whole[:_PIECE_FRAMES]
            parts, length = [whole[_PIECE_FRAMES:]], length - _PIECE_FRAMES
    yield np.concatenate(parts)


def _chunks(path: Path, channel: int | None, seen: Seen | None) -> Iterator[NDArray[np.float32]]:
    """The channel at RATE, half a minute at a time."""
    import soundfile
    import soxr

    with _readable(path), soundfile.SoundFile(str(path)) as file:
        _must_be_followable(file, path, channel)
        seen = seen or look_over(path)
        shares = seen.shares
        if channel is not None:
            shares = np.eye(int(file.channels), dtype=np.float32)[channel - 1]
        stream = soxr.ResampleStream(file.samplerate, RATE, 1, dtype="float32", quality="HQ")
        for block, last in _blocks(file, path):
            one = (block - seen.rest) @ shares
            yield stream.resample_chunk(np.ascontiguousarray(one), last=last)


def look_over(path: Path) -> Seen:
    """A first look at a take. Raises as `onsets_of_file` does; MIDI and taps need none."""
    import soundfile

    if not path.is_file() or not is_sound(path):
        return Seen(np.ones(1, dtype=np.float32), np.zeros(1, dtype=np.float32), ())
    with _readable(path), soundfile.SoundFile(str(path)) as file:
        _must_be_followable(file, path, None)
        together = np.zeros((file.channels, file.channels))
        summed = np.zeros(file.channels)
        full = total = 0
        for block, _ in _blocks(file, path):
            if not len(block):
                continue
            flat = np.abs(block).max(axis=1) >= _FULL
            full += int((flat[1:] & flat[:-1]).sum())
            total += len(block)
            summed += block.sum(axis=0, dtype=np.float64)
            swing = block - block.mean(axis=0)
            together += swing.T @ swing
    damage = _cut_off(path)
    if total and full / total > _CLIPPED_SHARE:
        clipped = f"the recording is clipped in {100 * full / total:.2g} % of its length"
        damage = (*damage, clipped)
    return Seen(_shares(together), (summed / max(1, total)).astype(np.float32), damage)


def _cut_off(path: Path) -> tuple[str, ...]:
    """What is missing of a WAV file that is shorter than it says, as after a copy that failed.

    Format: Multimedia Programming Interface and Data Specifications 1.0, 1991, RIFF chunks.
    """
    with path.open("rb") as file:
        head, rest = file.read(12), path.stat().st_size - 12
        if head[:4] != b"RIFF" or head[8:] != b"WAVE":
            return ()
        while rest >= 8:
            name, size = struct.unpack("<4sI", file.read(8))
            rest -= 8
            if name == b"data":
                known = 0 < size < 0xFFFF_FFFF  # a recorder that did not live to say it
                if known and size > rest + 1:
                    return (f"the file was cut off: {100 * rest / size:.0f} % of it are there",)
                return ()
            rest -= size + size % 2
            file.seek(size + size % 2, 1)
    return ()


def _shares(together: NDArray[np.float64]) -> NDArray[np.float32]:
    """How channels add up, (channels,), from their products with each other.

    A cable soldered the wrong way round must not take away what the others carry.
    """
    loudest = int(np.argmax(np.diag(together)))
    spread = np.sqrt(np.diag(together) * together[loudest, loudest]) + 1e-12
    opposite = together[loudest] / spread < _OPPOSITE
    return np.asarray(np.where(opposite, -1.0, 1.0) / len(together), dtype=np.float32)


def _blocks(file: Any, path: Path) -> Iterator[tuple[NDArray[np.float32], bool]]:
    """(frames, channels) half a minute at a time, and whether it is the last.

    Raises UnreadableError where the sound ends too early, ShowError for what is no number.
    """
    size, read, last = _BLOCK_S * file.samplerate, 0, False
    while not last:
        block = file.read(size, dtype="float32", always_2d=True)
        read += len(block)
        last = len(block) < size
        if not np.isfinite(block).all():
            raise ShowError(
                "the sound holds values that are not numbers",
                where=str(path),
                hint="the file is damaged; write it out again",
            )
        yield block, last
    if read < file.frames:
        raise UnreadableError(
            f"the sound stops after {read} of {file.frames} frames",
            where=str(path),
            hint="the file is damaged or was cut off; write it out again",
        )


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    """Say what cannot be read as a person would."""
    import soundfile

    try:
        with _quietly() if path.suffix.lower() == ".mp3" else nullcontext():
            yield
    except (soundfile.SoundFileError, OSError) as problem:
        raise UnreadableError(
            "this cannot be read as a take",
            where=str(path),
            hint="write it out again as WAV or FLAC; MIDI files end in .mid, taps in .txt; "
            f"the reader says: {problem}",
        ) from None


@contextmanager
def _quietly() -> Iterator[None]:
    """Keep the MP3 library's own remarks, which nobody can act on, off the person's screen."""
    try:
        kept = os.dup(2)
    except OSError:  # there is no error output
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def _must_be_followable(file: Any, path: Path, channel: int | None) -> None:
    rate, frames, channels = int(file.samplerate), int(file.frames), int(file.channels)
    if channel is not None and not 1 <= channel <= channels:
        raise ShowError(
            f"there is no channel {channel}", where=str(path), hint=f"the take has {channels}"
        )
    if rate < _RATE_MIN:
        raise ShowError(
            f"{rate} frames a second carry too little to follow",
            where=str(path),
            hint=f"record with {_RATE_MIN} or more, best 44100 or 48000",
        )
    if frames > HOURS_MAX * 3600 * rate:
        raise ShowError(
            f"the take is {frames / rate / 3600:.1f} hours long",
            where=str(path),
            hint=f"cut it into takes of one song; at most {HOURS_MAX} hours are read",
        )


def is_sound(path: Path) -> bool:
    """Whether a take is a recording by its name, and no MIDI file or list of taps."""
    return path.suffix.lower() not in (*MIDI_ENDINGS, *TAP_ENDINGS)


def channel_count(path: Path) -> int:
    """Channels of a take of sound; 1 for MIDI and taps."""
    import soundfile

    if not is_sound(path):
        return 1
    try:
        return int(soundfile.info(str(path)).channels)
    except (soundfile.SoundFileError, OSError):
        return 1


def midi_onsets(path: Path) -> Onsets:
    """Note-ons of a Standard MIDI File at the file's own tempo; drums are told apart by key."""
    import mido

    try:
        file = mido.MidiFile(str(path), clip=True)
        now, times, weights, bands = 0.0, [], [], []
        for message in file:
            now += message.time
            if message.type == "note_on" and message.velocity > 0:
                times.append(now)
                weights.append(0.3 + 0.7 * message.velocity / 127)
                bands.append(_band(message.note, drum=message.channel == 9))
    except (OSError, EOFError, ValueError, KeyError, IndexError, TypeError) as problem:
        raise UnreadableError(
            "this cannot be read as a MIDI file",
            where=str(path),
            hint="write it out again as a Standard MIDI File"
            + (f"; the reader says: {problem}" if str(problem) else ""),
        ) from None
    if not times:
        raise ShowError("the MIDI file has no notes", where=str(path), hint="record pads or keys")
    return onsets_of_times(np.array(times), np.array(weights), np.array(bands))


def _band(note: int, *, drum: bool) -> int:
    if drum:
        return LOW if note in _LOW_KEYS else HIGH if note in _HIGH_KEYS else MIDDLE
    return LOW if note < 48 else MIDDLE if note < 84 else HIGH


def tap_onsets(path: Path) -> Onsets:
    """Taps from a text file: the first number of each line is a time in seconds."""
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as problem:
        raise UnreadableError(
            "this cannot be read as a list of taps", where=str(path), hint=str(problem)
        ) from None
    return onsets_of_times(np.array(_tap_times(lines, str(path))))


def _tap_times(lines: Sequence[str], where: str) -> list[float]:
    times = []
    told = [line.split("#", 1)[0] for line in lines if line.split("#", 1)[0].strip()]
    if told and not re.search(r"\d", told[0]):  # names of columns
        lines = lines[lines.index(told[0]) + 1 :] if told[0] in lines else lines
    if told and all(_DECIMAL_COMMA.fullmatch(line) for line in told):
        lines = [line.replace(",", ".", 1) for line in lines]  # 12,345 as most of Europe writes it
    for number, line in enumerate(lines, 1):
        text = line.split("#", 1)[0].strip()
        if not text:
            continue
        first = re.split(r"[,;\t ]+", text)[0]
        try:
            at = float(first)
        except ValueError:
            at = float("nan")
        if not 0 <= at < HOURS_MAX * 3600:
            raise ShowError(
                f"{first!r} is no time in seconds",
                where=f"{where}:{number}",
                hint="write one tap a line, such as 12.345",
            )
        times.append(at)
    if not times:
        raise ShowError("there are no taps in the file", where=where, hint="write one tap a line")
    return sorted(times)
