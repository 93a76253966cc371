"""Spoken words: found, made, and aligned by the moment that belongs on the beat."""

import shutil

import numpy as np
import pytest
import soundfile
from needs import is_missing

from syncbox.audio.cache import Cache
from syncbox.audio.words import (
    PROGRAMS,
    TONES,
    Speech,
    aligned,
    onset_frame,
    recordings,
    tones,
)
from syncbox.errors import UnreadableError
from syncbox.schedule.words import LEAD_MS, NUMBERS

RATE = 48_000
LEAD = int(LEAD_MS) * RATE // 1000


def spoken(*, hiss_ms=0, before_ms=100, voice_ms=300, rate=RATE):
    """Silence, a hiss, and a voice of 150 Hz with overtones that begins at once."""
    noise = np.random.default_rng(1)
    hiss = 0.05 * np.diff(noise.standard_normal(hiss_ms * rate // 1000 + 1))
    seconds = np.arange(voice_ms * rate // 1000) / rate
    voice = sum(np.sin(2 * np.pi * 150 * k * seconds) / k for k in range(1, 6))
    voice *= 0.2 * np.minimum(1, (seconds[-1] - seconds) / 0.1)
    parts = [np.zeros(before_ms * rate // 1000), hiss, voice, np.zeros(rate // 4)]
    return np.concatenate(parts)[np.newaxis, :].astype(np.float32)


@pytest.mark.parametrize("hiss_ms", [0, 50, 110])
@pytest.mark.parametrize("before_ms", [0, 30, 250])
def test_the_voice_of_a_word_lies_on_the_beat_whatever_comes_before(hiss_ms, before_ms):
    sound = spoken(hiss_ms=hiss_ms, before_ms=before_ms)
    begins = (before_ms + hiss_ms) * RATE // 1000
    assert abs(onset_frame(sound, RATE) - begins) <= RATE * 5 // 1000
    word = aligned(sound, RATE)
    assert word.shape[0] == 1
    assert abs(onset_frame(word, RATE) - LEAD) <= RATE // 1000
    # Nothing is left of the silence behind it, and the hiss before it is still there.
    assert word.shape[1] < LEAD + RATE * 330 // 1000
    heard = np.abs(word[0, LEAD - 40 * RATE // 1000 : LEAD - 10 * RATE // 1000]).max()
    assert (heard > 1e-3) == (hiss_ms > 0)


def test_loud_and_soft_recordings_become_alike():
    soft, loud = aligned(0.01 * spoken(), RATE), aligned(0.9 * spoken(), RATE)
    assert np.allclose(soft, loud, atol=1e-4)
    assert np.abs(loud).max() <= 0.5 + 1e-6


def test_stereo_is_made_mono_and_long_files_are_cut():
    wide = np.repeat(spoken(), 2, axis=0)
    assert np.allclose(aligned(wide, RATE), aligned(spoken(), RATE))
    endless = np.tile(spoken(), (1, 60))
    assert aligned(endless, RATE).shape[1] <= 9 * RATE


def test_silence_is_refused():
    with pytest.raises(UnreadableError, match="nothing can be heard"):
        aligned(np.zeros((1, RATE), dtype=np.float32), RATE)


def folder_with(tmp_path, **files):
    voice = tmp_path / "voice"
    voice.mkdir()
    for name, sound in files.items():
        soundfile.write(voice / f"{name}.wav", sound.T, RATE)
    return tmp_path


def speech(folder, program=None):
    return Speech(folder, RATE, Cache.beside(folder), find_program=lambda _: program)


def test_the_bands_own_recordings_come_first(tmp_path):
    folder = folder_with(tmp_path, Second_Verse=spoken(), TWO=spoken(hiss_ms=50))
    (folder / "voice" / "notes.txt").write_text("not a sound")
    assert set(recordings(folder)) == {"second verse", "two"}
    word = speech(folder).word("two")
    assert word.source == "voice/TWO.wav"
    expected = aligned(spoken(hiss_ms=50), RATE)
    length = min(expected.shape[1], word.sound.shape[1])  # 16 bits are kept in the file
    assert np.allclose(word.sound[:, :length], expected[:, :length], atol=1e-3)
    # Another recording under the same name is heard at once.
    soundfile.write(folder / "voice" / "TWO.wav", spoken(voice_ms=500).T, RATE)
    assert speech(folder).word("two").sound.shape[1] > word.sound.shape[1]


def test_a_recording_that_cannot_be_read_costs_only_itself(tmp_path):
    folder = folder_with(tmp_path, one=spoken())
    (folder / "voice" / "two.wav").write_bytes(b"RIFF")
    maker = speech(folder)
    assert maker.word("two").source == TONES
    assert [file for file, _ in maker.lost] == ["voice/two.wav"]
    assert maker.word("one").source == "voice/one.wav"


def test_without_a_voice_there_are_tones(tmp_path):
    word = speech(tmp_path).word("chorus")
    assert word.source == TONES
    assert not word.sound[0, :LEAD].any()
    number = tones("two", RATE)
    assert number.shape[1] < word.sound.shape[1]
    assert np.abs(word.sound).max() <= 0.5


def test_a_program_that_fails_is_left_alone(tmp_path):
    failing = tmp_path / "espeak-ng"
    failing.write_text("#!/bin/sh\nexit 3\n")
    failing.chmod(0o755)
    assert speech(tmp_path, str(failing)).word("two").source == TONES


@pytest.mark.parametrize("program", PROGRAMS)
@pytest.mark.parametrize("text", ["two", "chorus", NUMBERS[5]])
def test_an_offline_program_says_words(tmp_path, program, text):
    path = shutil.which(program)
    if path is None:
        is_missing(program, program)
    maker = Speech(
        tmp_path,
        RATE,
        Cache.beside(tmp_path),
        find_program=lambda name: path if name == program else None,
    )
    word = maker.word(text)
    assert word.source == program
    assert abs(onset_frame(word.sound, RATE) - LEAD) <= RATE // 1000
    assert 0.15 < word.sound.shape[1] / RATE < 1.2
    # What is kept is what was made.
    kept = Speech(tmp_path, RATE, Cache.beside(tmp_path)).word(text)
    assert program != PROGRAMS[0] or np.array_equal(kept.sound, word.sound)
