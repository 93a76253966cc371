"""Units of time and level, and every conversion between them.

Three integer clocks never mix: ticks are musical, frames belong to one audio
device, nanoseconds belong to the host. Seconds and frames that are not yet
rounded are exact fractions; `round_half_up` is the one rounding rule, and an
event is rounded once, when it is placed.
"""

from __future__ import annotations

from fractions import Fraction
from typing import NewType

Ticks = NewType("Ticks", int)  # musical position, TICKS_PER_QUARTER to a quarter note
Frames = NewType("Frames", int)  # one sample instant of the audio clock
Nanos = NewType("Nanos", int)  # the host's monotonic clock

TICKS_PER_QUARTER = 20_160
CLOCKS_PER_QUARTER = 24  # MIDI 1.0 Detailed Specification 4.2.1, p. 30
CLOCKS_PER_SONG_POSITION = 6  # the same, p. 27: one MIDI beat is a sixteenth
TICKS_PER_CLOCK = TICKS_PER_QUARTER // CLOCKS_PER_QUARTER
TICKS_PER_SONG_POSITION = TICKS_PER_CLOCK * CLOCKS_PER_SONG_POSITION
TICKS_PER_WHOLE = 4 * TICKS_PER_QUARTER
NS_PER_SECOND = 1_000_000_000

assert TICKS_PER_CLOCK * CLOCKS_PER_QUARTER == TICKS_PER_QUARTER
assert all(TICKS_PER_QUARTER % n == 0 for n in (*range(1, 11), 16, 24, 64))

TEMPO_QPM_MIN = 20  # quarters per minute; slower than any music that is counted
TEMPO_QPM_MAX = 400


def round_half_up(value: Fraction) -> int:
    """Nearest integer. Exact halves go up, so 2.5 frames is frame 3."""
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)


def seconds_to_frames(seconds: Fraction, *, rate: int) -> Frames:
    """Nearest frame to an exact time; rate is in frames per second."""
    return Frames(round_half_up(seconds * rate))


def seconds_per_tick(tempo_qpm: Fraction) -> Fraction:
    """Exact seconds in one tick at a steady tempo in quarters per minute."""
    return Fraction(60) / (tempo_qpm * TICKS_PER_QUARTER)


def frames_to_nanos(frames: int, *, rate: int) -> Nanos:
    """Length of a number of frames in nanoseconds, nearest."""
    return Nanos((2 * frames * NS_PER_SECOND + rate) // (2 * rate))


def ms_to_frames(milliseconds: Fraction, *, rate: int) -> Frames:
    """Nearest frame count to an exact length in milliseconds."""
    return Frames(round_half_up(milliseconds * rate / 1000))


def db_to_gain(level_db: float) -> float:
    """Amplitude factor of a level in dB (20 dB is a factor of ten)."""
    return float(10.0 ** (level_db / 20.0))
