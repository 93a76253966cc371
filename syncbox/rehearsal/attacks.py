"""Where notes begin in the channel of one player: louder now than just before.

`onsets` listens for what begins anywhere in a band, and hears every ripple of a bass
that plays alone. Here a beginning has to stand out from the instrument itself: the
windows are longer than a cycle of the lowest string, and what is faint against the
channel's own loudest band does not count.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.onsets import BAND_EDGES_HZ, FINE_FRAMES, FINE_S, RATE, Floats

_WINDOWS = ((30, 45), (15, 30), (8, 20))  # milliseconds after and before, for each band
_FLOOR = 0.01  # of the loudest band's power: 20 dB below it
_OWN = 0.1  # of a band's own power, for the moment of a beginning that is there
_NEAR = 20  # milliseconds within which bands begin together
_RISE = 0.7  # nats, 3 dB
_APART = 60  # milliseconds between two beginnings


def attacks_of(sound: NDArray[np.float32]) -> Floats:
    """Times (s) at which notes begin in one channel at RATE, shape (n,), ascending."""
    from scipy.signal import butter, find_peaks, sosfilt

    count = len(sound) // FINE_FRAMES
    if count < 2 * _APART:
        return np.empty(0)
    powers = []
    for low, high in BAND_EDGES_HZ:
        band = sosfilt(butter(2, (low, high), "band", fs=RATE, output="sos"), sound)
        powers.append(np.square(band[: count * FINE_FRAMES]).reshape(count, FINE_FRAMES).mean(1))
    loud = max(float(np.quantile(power, 0.95)) for power in powers)
    if loud < 1e-12:
        return np.empty(0)
    rises = [
        _rise(power, *windows, _FLOOR * loud)
        for power, windows in zip(powers, _WINDOWS, strict=True)
    ]
    peaks, _ = find_peaks(np.max(rises, axis=0), height=_RISE, distance=_APART)
    keen = [_rise(power, *windows, _OWN * float(np.quantile(power, 0.95)) + 1e-15)
            for power, windows in zip(powers, _WINDOWS, strict=True)]  # fmt: skip
    return np.asarray([_exactly(int(peak), keen) for peak in peaks]) * FINE_S


def _exactly(peak: int, keen: list[Floats]) -> int:
    """The millisecond of a beginning, from the highest band that rises there too."""
    first = max(0, peak - _NEAR)
    for rise in reversed(keen):
        near = rise[first : peak + _NEAR]
        if near.max() > _RISE:
            return first + int(near.argmax())
    return peak


def _rise(power: Floats, ahead: int, behind: int, floor: float) -> Floats:
    """How much louder it is after each millisecond than before it, nats."""
    total = np.concatenate([[0.0], np.cumsum(power)])
    at = np.arange(len(power))
    after = (total[np.minimum(at + ahead, len(power))] - total[at]) / ahead
    before = (total[at] - total[np.maximum(at - behind, 0)]) / behind
    return np.asarray(np.log((after + floor) / (before + floor)))
