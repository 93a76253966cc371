"""Where clicks begin in recorded sound, to the frame.

Sound that stayed digital is exactly silent between clicks, so a click begins with its
first frame that is not zero. Sound that went through a cable has noise and a
little smear; there the recording is laid over the known voices.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from syncbox.lab.statistics import Frames

SILENCE_MS = 10.0  # the shortest rest before a click; clicks are further apart than their sound
SEARCH_MS = 5.0  # how far from the first guess the best fit may lie
NOISE_FACTOR = 8.0  # a click rises this far above the ordinary level of the recording
FIT_MIN = 0.5  # correlation with the best voice; less is not a click


def digital_onsets(samples: NDArray[np.float32], *, rate: int) -> Frames:
    """First frame of each sound after at least 10 ms of exact silence, shape (n,), ascending.

    samples: shape (frames,). The recording counts as silent before it begins.
    """
    sounding = np.flatnonzero(samples)
    if not len(sounding):
        return sounding.astype(np.int64)
    rest = round(SILENCE_MS * rate / 1000)
    fresh = np.diff(sounding, prepend=-rest - 1) > rest
    return sounding[fresh].astype(np.int64)


def matched_onsets(
    samples: NDArray[np.float32], voices: Mapping[str, NDArray[np.float32]], *, rate: int
) -> Frames:
    """Where the voices fit a noisy recording best, shape (n,), frames, ascending.

    samples: shape (frames,); voices: shape (k,) each, at the same rate. A click is looked
    for where the level rises out of the noise, and placed where the normalised
    correlation with one of the voices is highest.
    """
    level = np.abs(samples)
    floor = float(np.quantile(level, 0.5)) if len(level) else 0.0
    loudest = float(level.max(initial=0.0))
    threshold = max(floor * NOISE_FACTOR, loudest / 8)
    if loudest <= threshold:
        return np.empty(0, dtype=np.int64)
    rest = max(round(SILENCE_MS * rate / 1000), max(map(len, voices.values())) // 2)
    loud = np.flatnonzero(level > threshold)
    guesses = loud[np.diff(loud, prepend=-rest - 1) > rest]
    placed = [_best_fit(samples, voices, int(guess), rate) for guess in guesses]
    return np.unique(np.array([frame for frame in placed if frame is not None], dtype=np.int64))


def _best_fit(
    samples: NDArray[np.float32], voices: Mapping[str, NDArray[np.float32]], guess: int, rate: int
) -> int | None:
    """The frame near a guess where some voice fits best; None where none fits."""
    reach = round(SEARCH_MS * rate / 1000)
    best, place = FIT_MIN, None
    for voice in voices.values():
        first = max(0, guess - reach)
        window = samples[first : guess + reach + len(voice)].astype(np.float64)
        if len(window) < len(voice):
            continue
        shape = voice.astype(np.float64)
        fits = np.abs(np.correlate(window, shape, mode="valid"))  # a cable may turn the sign
        energy = np.cumsum(np.concatenate([[0.0], window**2]))
        inside = energy[len(voice) :] - energy[: -len(voice)]
        fits /= np.sqrt(np.maximum(inside, 1e-20) * float(shape @ shape))
        if fits.max() > best:
            best, place = float(fits.max()), first + int(fits.argmax())
    return place
