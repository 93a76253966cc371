"""How loud a sound is (ITU-R BS.1770) and how high its waveform really goes (true peak).

Integrated loudness is pyloudnorm's (MIT) with the filter of the standard, which is not
its usual one. True peak is the highest value after four times oversampling; that
reads up to 0.55 dB low for what lies just below half the sample rate, and less
for everything else.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log10
from typing import Any

import numpy as np

from syncbox.audio.onsets import Sound
from syncbox.errors import UnreadableError

OVERSAMPLING = 4
SHORTEST_S = 3.0  # a loop is measured going round for at least this long
BLOCK_S = 0.4  # the standard's gating block: a shorter sound has no loudness
SILENCE_LUFS = -70.0  # the standard's absolute gate
CHUNK_FRAMES = 1 << 16


@dataclass(frozen=True, slots=True)
class Loudness:
    """Integrated loudness in LUFS, None for silence or a sound too short, and true peak in dBTP."""

    lufs: float | None
    true_peak_db: float


def measure(sound: Sound, rate: int, *, goes_round: bool = False) -> Loudness:
    """Loudness and true peak of a sound (channels, frames). Needs the extra `fit`.

    goes_round: the sound is a loop, and is measured as it is heard.
    """
    if goes_round and sound.shape[1]:
        rounds = -(-round(SHORTEST_S * rate) // sound.shape[1])
        sound = np.tile(sound, max(1, rounds))
    return Loudness(integrated_lufs(sound, rate), true_peak_db(sound))


def integrated_lufs(sound: Sound, rate: int) -> float | None:
    """Gated loudness of a sound (channels, frames); up to five channels L R C Ls Rs."""
    if sound.shape[1] < BLOCK_S * rate or not np.abs(sound).max(initial=0.0) > 1e-6:
        return None
    meter = meter_library().Meter(rate, filter_class="DeMan")
    with np.errstate(divide="ignore"):  # blocks of silence have no logarithm and are gated out
        value = float(meter.integrated_loudness(np.asarray(sound.T, np.float64)))
    return value if value > SILENCE_LUFS else None


def meter_library() -> Any:
    """The library that measures. Raises UnreadableError where it is not installed."""
    try:
        import pyloudnorm
    except ImportError:
        raise UnreadableError(
            "measuring loudness needs pyloudnorm",
            hint="pip install 'syncbox[fit]', or take 'loudness' out of the rig",
        ) from None
    return pyloudnorm


def true_peak_db(sound: Sound) -> float:
    """Highest value between the samples too, dB full scale; -200 for silence."""
    import soxr

    channels = sound.shape[0]
    stream = soxr.ResampleStream(1, OVERSAMPLING, channels, dtype="float32", quality="VHQ")
    highest = float(np.abs(sound).max(initial=0.0))
    for first in range(0, max(1, sound.shape[1]), CHUNK_FRAMES):
        chunk = np.ascontiguousarray(sound[:, first : first + CHUNK_FRAMES].T)
        made = stream.resample_chunk(chunk, last=first + CHUNK_FRAMES >= sound.shape[1])
        highest = max(highest, float(np.abs(made).max(initial=0.0)))
    return 20 * log10(max(highest, 1e-10))


def matching_gain_db(found: Loudness, target_lufs: float, ceiling_db: float) -> float:
    """Gain that brings a sound to a loudness, less where its true peak would pass the ceiling."""
    if found.lufs is None:
        return 0.0
    return min(target_lufs - found.lufs, ceiling_db - found.true_peak_db)
