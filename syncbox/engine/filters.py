"""A pedal on a sound: a low-pass with cutoff and resonance, and a level, smooth at any speed.

The filter is a state-variable one integrated by the trapezoidal rule without a delay
in its loop (V. Zavalishin, The Art of VA Filter Design, chapters 3 to 5; from memory).
With no input the rule gives, for every sample and whatever the settings of that sample
are, a new state with

    |state|^2 - |old state|^2 = -4 g k v^2 <= 0        (g, k > 0)

so no movement of a pedal can make it unstable. Its response is that of the analogue
prototype 1 / (s^2 + s/Q + 1) with the frequency axis bent by the bilinear transform,
and the bend is taken out at the cutoff: g = tan(pi cutoff / rate).

Settings move sample by sample: ln g, ln k and the root of the level are lines over
frames. One loop does the work; numba makes it fast where the `filter` extra is
installed, and it gives the same samples, only slower, without.
"""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from syncbox.engine.glides import Line

GLIDE_SECONDS = 0.02  # from one message of a pedal to the value it asks for
REST = 1e-18  # a state below this is silence, and denormal numbers would be slow
Q_FLAT = math.sqrt(0.5)  # no peak
Q_MAX = 10.0  # a peak of 20 dB
CUTOFF_HZ_MIN, CUTOFF_HZ_MAX = 20.0, 20_000.0
CUTOFF_PART_MAX = 0.45  # of the sample rate

Kernel = Callable[..., None]


def _filter_block(  # noqa: PLR0917  numba takes plain arguments
    sound: Any, state: Any, warped: Any, damping: Any, roots: Any, count: int, steady: bool
) -> None:
    """Filter `sound` (sides, count) in place; `state` (sides, 2); `roots` (count,) of the level.

    `warped` holds ln g and `damping` ln k of every sample, or of the first one alone
    where they are `steady`.
    """
    g = math.exp(warped[0])
    k = math.exp(damping[0])
    a1 = 1.0 / (1.0 + g * (g + k))
    for n in range(count):
        if not steady and n > 0:
            g = math.exp(warped[n])
            k = math.exp(damping[n])
            a1 = 1.0 / (1.0 + g * (g + k))
        a2 = g * a1
        a3 = g * a2
        gain = roots[n] * roots[n]
        for side in range(len(sound)):
            one = state[side][0]
            two = state[side][1]
            high = sound[side][n] - two
            band = a1 * one + a2 * high
            low = two + a2 * one + a3 * high
            one = 2.0 * band - one
            two = 2.0 * low - two
            if abs(one) + abs(two) < REST:
                one = 0.0
                two = 0.0
            state[side][0] = one
            state[side][1] = two
            sound[side][n] = low * gain


def _plain_block(  # noqa: PLR0917  the same as above
    sound: NDArray[np.float32],
    state: NDArray[np.float64],
    warped: NDArray[np.float64],
    damping: NDArray[np.float64],
    roots: NDArray[np.float64],
    count: int,
    steady: bool,
) -> None:
    """The same loop on plain numbers: item by item, arrays are ten times slower."""
    rows, states = sound.tolist(), state.tolist()
    _filter_block(rows, states, warped.tolist(), damping.tolist(), roots.tolist(), count, steady)
    sound[:] = rows
    state[:] = states


@cache
def kernel() -> Kernel:
    """The loop, compiled if numba is there. Takes a second or two: call it before the audio."""
    if importlib.util.find_spec("numba") is None:
        return _plain_block
    import numba

    signature = (
        "void(float32[:,:], float64[:,:], float64[:], float64[:], float64[:], int64, boolean)"
    )
    compiled: Kernel = numba.njit(signature, fastmath=False)(_filter_block)
    return compiled


def warped_cutoff(cutoff_hz: float, rate: int) -> float:
    """Ln g of a cutoff, kept between 20 Hz and 20 kHz and below 0.45 of the rate."""
    highest = min(CUTOFF_HZ_MAX, CUTOFF_PART_MAX * rate)
    return math.log(math.tan(math.pi * min(highest, max(CUTOFF_HZ_MIN, cutoff_hz)) / rate))


def damping_of(resonance: float) -> float:
    """Ln k of a resonance from 0 (no peak) to 1 (20 dB): k = 1/Q, Q in even steps of its log."""
    part = min(1.0, max(0.0, resonance))
    return -(math.log(Q_FLAT) + part * (math.log(Q_MAX) - math.log(Q_FLAT)))


class LowPass:
    """The filter of one source, with its settings, for one or two sides."""

    def __init__(
        self,
        rate: int,
        frames_max: int,
        *,
        sides: int,
        cutoff_hz: float,
        resonance: float,
        gain: float,
    ) -> None:
        """Settings at the start: cutoff in Hz, resonance 0 to 1, level as a factor."""
        self._rate = rate
        self._kernel = kernel()
        self._glide_frames = max(1, round(GLIDE_SECONDS * rate))
        self._state = np.zeros((sides, 2), dtype=np.float64)
        self._warped = Line(warped_cutoff(cutoff_hz, rate), frames_max)
        self._damping = Line(damping_of(resonance), frames_max)
        self._root = Line(math.sqrt(gain), frames_max)
        self._values = np.zeros((3, frames_max), dtype=np.float64)

    def set_cutoff(self, cutoff_hz: float, frame: int) -> None:
        """From a frame on move to a cutoff."""
        self._warped.go(warped_cutoff(cutoff_hz, self._rate), frame, self._glide_frames)

    def set_resonance(self, resonance: float, frame: int) -> None:
        """From a frame on move to a resonance, 0 to 1."""
        self._damping.go(damping_of(resonance), frame, self._glide_frames)

    def set_gain(self, gain: float, frame: int) -> None:
        """From a frame on move to a level, as a factor."""
        self._root.go(math.sqrt(gain), frame, self._glide_frames)

    @property
    def ringing(self) -> bool:
        """Whether something comes out even if nothing goes in any more."""
        return bool(self._state.any())

    def run(self, sound: NDArray[np.float32], first: int) -> None:
        """Filter the frames of a block that begins at `first`, (sides, n), in place."""
        count = sound.shape[1]
        warped, damping, roots = (row[:count] for row in self._values)
        moving = self._warped.moves(first, count)
        moving = self._damping.moves(first, count) or moving
        self._root.moves(first, count)
        self._warped.fill(warped, first)
        self._damping.fill(damping, first)
        self._root.fill(roots, first)
        self._kernel(sound, self._state, warped, damping, roots, count, not moving)
