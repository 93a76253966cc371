"""The sound by which an output is known at sound check: a tone, then beeps that count it.

The tone is a sine of 1 kHz, where the weightings of sound level meters agree (IEC
61672-1), so that a meter can be held to it. It comes up from nothing over a second and
a half. Then as many high beeps as the output's number, in groups of five; then, on an
output of a pair, one low beep for left or two for right.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from syncbox.units import db_to_gain

TONE_HZ, COUNT_HZ, SIDE_HZ = 1000.0, 1500.0, 500.0
RISE_S, TONE_S, PAUSE_S = 1.5, 3.0, 0.5
BEEP_S, BEEP_GAP_S, GROUP_GAP_S, GROUP = 0.15, 0.15, 0.35, 5
EDGE_S = 0.01  # every beep rises and falls this softly
LEFT_BEEPS, RIGHT_BEEPS = 1, 2

Sound = NDArray[np.float32]


def output_sound(number: int, side: str, level_db: float, rate: int) -> Sound:
    """The sound of an output (from 1), float32 (1, frames), its peak at `level_db`.

    `side` is left, right, or empty for an output that is not one of a pair.
    """
    parts = [_tone(TONE_HZ, TONE_S, rate, rise_s=RISE_S), _silence(PAUSE_S, rate)]
    for beep in range(number):
        gap_s = BEEP_GAP_S if (beep + 1) % GROUP else GROUP_GAP_S
        parts += [_tone(COUNT_HZ, BEEP_S, rate), _silence(gap_s, rate)]
    parts.append(_silence(PAUSE_S, rate))
    for _ in range({"left": LEFT_BEEPS, "right": RIGHT_BEEPS}.get(side, 0)):
        parts += [_tone(SIDE_HZ, BEEP_S, rate), _silence(BEEP_GAP_S, rate)]
    sound = np.concatenate(parts) * db_to_gain(level_db)
    return np.asarray(sound[np.newaxis], dtype=np.float32)


def _silence(seconds: float, rate: int) -> NDArray[np.float64]:
    return np.zeros(round(seconds * rate))


def _tone(
    pitch_hz: float, seconds: float, rate: int, *, rise_s: float = EDGE_S
) -> NDArray[np.float64]:
    """A sine with raised-cosine edges."""
    frames = round(seconds * rate)
    sound = np.sin(2 * math.pi * pitch_hz * np.arange(frames) / rate)
    for edge_s, part in ((rise_s, sound), (EDGE_S, sound[::-1])):
        length = round(edge_s * rate)
        part[:length] *= 0.5 - 0.5 * np.cos(math.pi * np.arange(length) / length)
    return np.asarray(sound)
