"""Spoken words, made ahead: the band's own recordings, an offline speech program, or tones.

Every word becomes one clip in which the moment that belongs on the beat lies at the same
place (`schedule.words.LEAD_MS` after its beginning). That moment is measured: where the
voice of the word, below about 1 kHz, has risen to a part of its loudest. A hiss before it,
as in "two" or "six", comes before the beat, as a singer would place it (after the studies
of perceptual centres by Marcus, 1981, and Scott, 1998; from memory).
"""

from __future__ import annotations

import math
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from syncbox.audio.cache import Cache, key_of
from syncbox.audio.clips import read_clip
from syncbox.errors import SyncboxError, UnreadableError
from syncbox.schedule.words import LEAD_MS, NUMBERS, tidy_word
from syncbox.units import db_to_gain, ms_to_frames

VERSION = 1  # of what is done to a word: another number makes every word again
FOLDER = "voice"  # of a show, for the band's own recordings
ENDINGS = (".wav", ".flac", ".ogg", ".aiff", ".aif", ".mp3")
PROGRAMS = ("espeak-ng", "flite")
PROGRAM_SECONDS_MAX = 20
WORD_SECONDS_MAX = 8
RISEN = 0.25  # of the loudest moment of the voice, 12 dB below it
QUIET = 0.01  # where the tail ends, 40 dB below
LOUDNESS_DB = -18.0  # of the voiced part, root mean square, as far as PEAK allows
PEAK = 0.5
FADE_MS = 4

Sound = NDArray[np.float32]
TONES = "tones"


@dataclass(frozen=True, slots=True)
class Word:
    """A word and where its sound comes from: a recording's file, a program, or `tones`."""

    text: str
    source: str
    sound: Sound  # (1, frames)


@dataclass(slots=True)
class Speech:
    """Makes the words of one show at one rate. `lost` collects recordings that cannot be read."""

    folder: Path
    rate: int
    cache: Cache
    lost: list[tuple[str, SyncboxError]] = field(default_factory=list)
    find_program: Callable[[str], str | None] = shutil.which

    def word(self, text: str) -> Word:
        """One word. Never fails: what cannot be had is replaced by tones."""
        path = recordings(self.folder).get(text)
        if path is not None:
            shown = path.relative_to(self.folder).as_posix()
            try:
                key = key_of("recorded word", VERSION, self.cache.source(path), self.rate)
                sound = self.cache.sound(key, lambda: self._aligned(read_clip(path, self.rate)))
                return Word(text, shown, sound)
            except (SyncboxError, OSError) as error:
                why = error if isinstance(error, SyncboxError) else UnreadableError(str(error))
                self.lost.append((shown, why))
        for program in PROGRAMS:
            found = self.find_program(program)
            if found is None:
                continue
            state = Path(found).stat()
            made = (program, state.st_size, state.st_mtime_ns)
            key = key_of("said word", VERSION, *made, text, self.rate)
            try:
                sound = self.cache.sound(key, partial(self._said, found, text))
                return Word(text, program, sound)
            except (SyncboxError, OSError, subprocess.SubprocessError):
                continue
        return Word(text, TONES, tones(text, self.rate))

    def _said(self, program: str, text: str) -> Sound:
        return self._aligned(_speech(program, text, self.rate))

    def _aligned(self, sound: Sound) -> Sound:
        return aligned(sound, self.rate)


def recordings(folder: Path) -> dict[str, Path]:
    """The band's own recordings in a show: word -> file."""
    found: dict[str, Path] = {}
    try:
        files = sorted((folder / FOLDER).iterdir())
    except OSError:
        return found
    for path in files:
        if path.suffix.lower() in ENDINGS and path.is_file():
            found.setdefault(tidy_word(path.stem), path)
    return found


def _speech(program: str, text: str, rate: int) -> Sound:
    """What an offline speech program makes of a word, run as a program of its own."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "word.wav"
        arguments = {
            "espeak-ng": ["-v", "en", "-s", "160", "-w", str(path), "--", text],
            "flite": ["-t", text, "-o", str(path)],
        }[Path(program).name.removesuffix(".exe")]
        subprocess.run(
            [program, *arguments],
            check=True,
            timeout=PROGRAM_SECONDS_MAX,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        return read_clip(path, rate)


# --- the moment that belongs on the beat --------------------------------------------------------


def voice_envelope(sound: Sound, rate: int) -> NDArray[np.float64]:
    """How loud the voice is at each frame: below about 1 kHz, over 10 ms around it."""
    mono = sound.mean(axis=0, dtype=np.float64)
    width = max(1, rate // 2200)  # a running mean of this length is 3 dB down at 1 kHz
    low = np.convolve(mono, np.full(width, 1 / width), "same")
    around = max(1, rate // 100)
    return np.sqrt(np.convolve(low * low, np.full(around, 1 / around), "same"))


def onset_frame(sound: Sound, rate: int) -> int:
    """The frame of a word that belongs on the beat. Raises UnreadableError for silence."""
    envelope = voice_envelope(sound, rate)
    loudest = float(envelope.max(initial=0.0))
    if loudest < 1e-4:
        raise UnreadableError("nothing can be heard in it", hint="record the word again")
    return int(np.argmax(envelope >= RISEN * loudest))


def aligned(sound: Sound, rate: int) -> Sound:
    """A word, mono (1, frames), with its moment at LEAD_MS, trimmed and brought to one loudness."""
    mono = np.asarray(sound.mean(axis=0, dtype=np.float64))[: WORD_SECONDS_MAX * rate]
    mono = np.concatenate([np.zeros(rate // 50), mono])  # some files begin with the voice
    onset = onset_frame(mono[np.newaxis, :].astype(np.float32), rate)
    lead = ms_to_frames(LEAD_MS, rate=rate)
    head = np.concatenate([np.zeros(lead), mono])[onset : onset + lead]
    loud = np.abs(mono[onset:])
    last = int(np.flatnonzero(loud >= QUIET * loud.max())[-1]) + rate // 50
    word = np.concatenate([head, mono[onset : onset + last]])
    fade = min(round(FADE_MS * rate / 1000), len(word) // 2)
    word[:fade] *= np.linspace(0.0, 1.0, fade, endpoint=False)
    word[len(word) - fade :] *= np.linspace(1.0, 0.0, fade)
    voiced = word[lead:]
    gain = db_to_gain(LOUDNESS_DB) / math.sqrt(float(np.mean(voiced * voiced)))
    word *= min(gain, PEAK / float(np.abs(word).max()))
    return np.asarray(word[np.newaxis, :], dtype=np.float32)


# --- tones ------------------------------------------------------------------------------------


def tones(text: str, rate: int) -> Sound:
    """A word without a voice: one low tone for a number, three rising ones for a name."""
    pitches = (440.0,) if text in NUMBERS else (440.0, 554.4, 659.3)
    part = round(0.09 * rate)
    seconds = np.arange(part) / rate
    shape = np.sin(np.pi * np.arange(part) / part) ** 0.5
    body = [0.3 * shape * np.sin(2 * np.pi * pitch * seconds) for pitch in pitches]
    lead = np.zeros(ms_to_frames(LEAD_MS, rate=rate))
    return np.concatenate([lead, *body])[np.newaxis, :].astype(np.float32)
