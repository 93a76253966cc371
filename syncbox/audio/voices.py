"""The sounds of the click, made once for each sample rate.

A voice is a damped sine: one pitch, no overtones that could fold back at a low
sample rate. It begins on its first frame and nothing comes before it. The rise takes
a tenth of a millisecond: fast enough to play to and to measure, slow enough that
hardly anything of it lies above 16 kHz, where it would only hurt. A fade closes it,
so the last frame is silent.

Voices are told apart by pitch and by length, since either alone is lost on a loud
stage. The count-in sits lower and lasts longer than the click, and the accent of
each pair is a fifth above its beat. The loudest reach half of full scale, 6 dB below
it: a listener mix's usual ceiling, which would flatten anything above and make it harsh.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

RATE_MIN = 8000  # frames a second; the highest voice still lies below half of it
RISE_S = 0.0001  # time constant
FADE_PART = 0.25  # of the voice's length, at its end


@dataclass(frozen=True, slots=True)
class Voice:
    """Pitch in Hz, length in ms, highest value (full scale is 1)."""

    pitch_hz: float
    length_ms: float
    peak: float


VOICES: Final = {
    "accent": Voice(2100.0, 40.0, 0.5),
    "beat": Voice(1400.0, 28.0, 0.4),
    "subdivision": Voice(1750.0, 12.0, 0.225),
    "count-in accent": Voice(1050.0, 80.0, 0.5),
    "count-in beat": Voice(700.0, 60.0, 0.45),
}


def click_voices(rate: int) -> dict[str, NDArray[np.float32]]:
    """Every voice by name, shape (n,), float32 within -1 to 1, at `rate` frames a second."""
    assert rate >= RATE_MIN, rate
    return {name: _synthesise(voice, rate) for name, voice in VOICES.items()}


def _synthesise(voice: Voice, rate: int) -> NDArray[np.float32]:
    frame_count = round(voice.length_ms * rate / 1000)
    # Counting from 1: the sine's zero lies one frame before the voice.
    seconds = np.arange(1, frame_count + 1) / rate
    decay_s = voice.length_ms / 1000 / 4  # four time constants, -35 dB, before the fade closes it
    sound = np.sin(2 * math.pi * voice.pitch_hz * seconds) * np.exp(-seconds / decay_s)
    sound *= -np.expm1(-seconds / RISE_S)
    fade_count = round(frame_count * FADE_PART)
    sound[frame_count - fade_count :] *= 0.5 + 0.5 * np.cos(
        math.pi * np.arange(1, fade_count + 1) / fade_count
    )
    return np.asarray(sound * (voice.peak / np.abs(sound).max()), dtype=np.float32)
