"""A take on disk, as onsets: sound of any rate and channel count, MIDI files, lists of taps."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

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
# General MIDI percussion key map: 35, 36 bass drums; 38, 40 snares; 42 to 59 hats and cymbals.
_LOW_KEYS = frozenset((35, 36))
_HIGH_KEYS = frozenset((42, 44, 46, 49, 51, 52, 53, 55, 57, 59))


def onsets_of_file(path: Path, *, channel: int | None = None) -> Onsets:
    """Onsets of a take; channel (from 1) reads one channel of a multitrack instead of all.

    Raises UnreadableError for a file that cannot be read or is damaged, ShowError for one
    that holds nothing to follow.
    """
    if not path.is_file():
        what = "this is a folder, not a take" if path.is_dir() else "there is no such file"
        raise UnreadableError(what, where=str(path), hint="check the name and its ending")
    ending = path.suffix.lower()
    if ending in MIDI_ENDINGS:
        return midi_onsets(path)
    if ending in TAP_ENDINGS:
        return tap_onsets(path)
    return joined([onsets_of(piece) for piece in sound_pieces(path, channel=channel)])


def sound_pieces(path: Path, *, channel: int | None = None) -> Iterator[NDArray[np.float32]]:
    """One channel at RATE in pieces of ten minutes, so that hours need no more memory.

    The mean of all channels, or the one asked for, from 1.
    """
    parts: list[NDArray[np.float32]] = []
    length = 0
    for chunk in _chunks(path, channel):
        if not np.isfinite(chunk).all():
            raise ShowError(
                "the sound holds values that are not numbers",
                where=str(path),
                hint="the file is damaged; write it out again",
            )
        parts.append(chunk)
        length += len(chunk)
        if length >= _PIECE_FRAMES + RATE:
            whole = np.concatenate(parts)
            yield whole[:_PIECE_FRAMES]
            parts, length = [whole[_PIECE_FRAMES:]], length - _PIECE_FRAMES
    yield np.concatenate(parts)


def _chunks(path: Path, channel: int | None) -> Iterator[NDArray[np.float32]]:
    """The channel at RATE, half a minute at a time."""
    import soundfile
    import soxr

    try:
        with soundfile.SoundFile(str(path)) as file:
            _must_be_followable(file, path, channel)
            stream = soxr.ResampleStream(file.samplerate, RATE, 1, dtype="float32", quality="HQ")
            read = 0
            while True:
                block = file.read(_BLOCK_S * file.samplerate, dtype="float32", always_2d=True)
                read += len(block)
                one = block.mean(axis=1) if channel is None else block[:, channel - 1]
                last = len(block) < _BLOCK_S * file.samplerate
                yield stream.resample_chunk(np.ascontiguousarray(one), last=last)
                if last:
                    break
            expected = file.frames
    except (soundfile.SoundFileError, OSError) as problem:
        raise UnreadableError(
            "this cannot be read as a take",
            where=str(path),
            hint="write it out again as WAV or FLAC; MIDI files end in .mid, taps in .txt; "
            f"the reader says: {problem}",
        ) from None
    if read < expected:
        raise UnreadableError(
            f"the sound stops after {read} of {expected} frames",
            where=str(path),
            hint="the file is damaged or was cut off; write it out again",
        )


def _must_be_followable(file: object, path: Path, channel: int | None) -> None:
    rate, frames = int(file.samplerate), int(file.frames)  # type: ignore[attr-defined]
    channels = int(file.channels)  # type: ignore[attr-defined]
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


def channel_count(path: Path) -> int:
    """Channels of a take of sound; 1 for MIDI and taps."""
    import soundfile

    if path.suffix.lower() in (*MIDI_ENDINGS, *TAP_ENDINGS):
        return 1
    try:
        return int(soundfile.info(str(path)).channels)
    except (soundfile.SoundFileError, OSError):
        return 1


def damage_of(path: Path) -> tuple[str, ...]:
    """What is wrong with a recording but does not stop it from being read: clipping."""
    import soundfile

    if path.suffix.lower() in (*MIDI_ENDINGS, *TAP_ENDINGS):
        return ()
    full = total = 0
    with soundfile.SoundFile(str(path)) as file:
        for block in file.blocks(_BLOCK_S * file.samplerate, dtype="float32", always_2d=True):
            flat = np.abs(block).max(axis=1) >= 0.999
            full += int((flat[1:] & flat[:-1]).sum())
            total += len(block)
    if total and full / total > 1e-4:
        return (f"the recording is clipped in {100 * full / total:.2g} % of its length",)
    return ()


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
            hint=f"write it out again as a Standard MIDI File; the reader says: {problem}",
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
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as problem:
        raise UnreadableError(
            "this cannot be read as a list of taps", where=str(path), hint=str(problem)
        ) from None
    return onsets_of_times(np.array(_tap_times(lines, str(path))))


def _tap_times(lines: Sequence[str], where: str) -> list[float]:
    times = []
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
