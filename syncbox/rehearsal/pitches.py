"""Which of the twelve notes sound in a take, from the bass up: by them bars are known again.

The window is long (0.37 s), so that neighbouring notes of a bass are told apart; the
tuning of drums shows as well.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_SHARE = 8  # of the analysis rate, which leaves what lies below 1.3 kHz
_WINDOW = 1024
_HOP = 128
PITCH_FRAMES = _SHARE * _HOP  # of the analysis rate, from one value to the next
_LOWEST_HZ, _HIGHEST_HZ = 60.0, 700.0
_CHUNK = 4096


def pitches_of(sound: NDArray[np.float32], rate: int) -> NDArray[np.float32]:
    """Loudness of the twelve notes against each other, nats, (12, values), PITCH_FRAMES apart."""
    import soxr
    from scipy.fft import rfft

    low = soxr.resample(sound, _SHARE, 1, quality="LQ")
    padded = np.pad(low, (_WINDOW // 2, _WINDOW))
    frames = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW)[::_HOP]
    frames = frames[: len(sound) // PITCH_FRAMES + 1]
    window, notes_of_bins = np.hanning(_WINDOW).astype(np.float32), _notes_of_bins(rate / _SHARE)
    notes = [
        np.abs(rfft(frames[first : first + _CHUNK] * window, axis=1)) @ notes_of_bins
        for first in range(0, len(frames), _CHUNK)
    ]
    whole = np.concatenate(notes).T
    loud = np.log1p(whole / (0.5 * np.median(whole) + 1e-6))
    return np.asarray(loud - loud.mean(axis=0), dtype=np.float32)


def _notes_of_bins(rate: float) -> NDArray[np.float32]:
    """From bins of the spectrum to notes, each shared by the two it lies between: (bins, 12)."""
    freqs = np.fft.rfftfreq(_WINDOW, 1 / rate)
    out = np.zeros((len(freqs), 12), dtype=np.float32)
    for n, freq in enumerate(freqs):
        if _LOWEST_HZ < freq < _HIGHEST_HZ:
            note = 12 * np.log2(freq / 440) % 12
            out[n, int(note) % 12] += 1 - note % 1
            out[n, (int(note) + 1) % 12] += note % 1
    return out
