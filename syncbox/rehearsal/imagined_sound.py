"""The sound of an imagined take: drums, bass and chords made from noise and sines."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.imagined import Manner, Played
from syncbox.rehearsal.imagined_band import Hit

Sound = NDArray[np.float32]
_NOISE_DB = {"mix": 10.0}  # music over noise; quieter elsewhere
_QUIET_NOISE_DB = 45.0


def sound_of(played: Played, manner: Manner, seed: int, rate: int = 22_050) -> Sound:
    """The take as one microphone hears it, shape (frames,), peak 0.8."""
    rng = np.random.default_rng([seed, 53])
    out = np.zeros(round(played.end_s * rate) + rate, dtype=np.float64)
    for hit in played.hits:
        voice = _voice(hit, rate)
        first = round(hit.at_s * rate)
        room = min(len(voice), len(out) - first)
        if first >= 0 and room > 0:
            out[first : first + room] += hit.level * voice[:room]
    if manner.sounds == "mix":
        out = _in_a_room(out, rate, rng)
    below = (
        manner.noise_db
        if manner.noise_db is not None
        else _NOISE_DB.get(manner.sounds, _QUIET_NOISE_DB)
    )
    loud = float(np.sqrt(np.mean(out[out != 0] ** 2))) if np.any(out) else 1.0
    out += rng.normal(0, loud * 10 ** (-below / 20), len(out))
    return np.asarray(0.8 * out / np.abs(out).max(), dtype=np.float32)


def _in_a_room(
    dry: NDArray[np.float64], rate: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """A reverberation of 0.8 s that begins 12 ms after the sound."""
    from scipy.signal import fftconvolve

    length = round(0.8 * rate)
    tail = rng.normal(0, 1, length) * np.exp(-6.9 * np.arange(length) / length)
    tail[: round(0.012 * rate)] = 0
    tail *= 0.7 / np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    wet: NDArray[np.float64] = fftconvolve(dry, tail)[: len(dry)]
    return wet


def _voice(hit: Hit, rate: int) -> NDArray[np.float64]:
    length = max(0.05, round(hit.length_s, 1))
    return _made(hit.what, round(hit.pitch, 1), length, rate)


@lru_cache(maxsize=512)
def _made(what: str, pitch: float, length_s: float, rate: int) -> NDArray[np.float64]:
    """One voice, its first frame is its onset."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(sum(map(ord, what)))
    seconds = {"crash": 1.6, "tom": 0.3, "kick": 0.25, "snare": 0.2, "hat": 0.06, "stick": 0.04}
    seconds |= {"brush": 0.18, "brush tap": 0.12}
    t = np.arange(round(seconds.get(what, length_s + 0.05) * rate)) / rate
    noise = rng.normal(0, 0.3, len(t))
    bright = lfilter([1, -0.95], [1], noise)
    if what == "kick":
        body = np.sin(2 * np.pi * (50 * t + 2.5 * (1 - np.exp(-t / 0.02)))) * np.exp(-t / 0.08)
        return np.asarray(body + 0.3 * bright * np.exp(-t / 0.004))
    if what == "snare":
        return np.asarray(
            0.5 * np.sin(2 * np.pi * 190 * t) * np.exp(-t / 0.05) + noise * np.exp(-t / 0.06)
        )
    if what == "tom":
        return np.asarray(
            np.sin(2 * np.pi * pitch * t) * np.exp(-t / 0.1) + 0.3 * noise * np.exp(-t / 0.01)
        )
    if what in ("hat", "stick", "crash"):
        decay = {"hat": 0.015, "stick": 0.008, "crash": 0.5}[what]
        return np.asarray(bright * np.exp(-t / decay))
    if what in ("brush", "brush tap"):
        swell = 0.5 * bright * np.sin(np.pi * np.minimum(1, t / 0.18)) ** 2
        tap = 0.8 * noise * np.minimum(1, t / 0.004) * np.exp(-t / 0.03)
        return np.asarray(swell if what == "brush" else tap)
    return _tone(what, pitch, length_s, t)


def _tone(what: str, pitch: float, length_s: float, t: NDArray[np.float64]) -> NDArray[np.float64]:
    rise_s = {"bass": 0.006, "guitar": 0.003, "pad": 0.08}[what]
    release = np.clip((length_s + 0.05 - t) / 0.05, 0, 1)
    shape = np.minimum(1, t / rise_s) * release
    if what == "guitar":
        shape = shape * np.exp(-t / 0.15)
    notes = (1.0,) if what == "bass" else (1.0, 1.26, 1.5)
    partials = sum(
        np.sin(2 * np.pi * pitch * note * n * t) / n**1.3 for note in notes for n in range(1, 6)
    )
    return np.asarray(0.35 * shape * partials / len(notes))
