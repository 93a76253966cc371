"""Where sounds begin in a take: strength over time in three bands, and single onsets.

The strength curve (about 86 values a second) serves to follow the map; single
onsets are found on the sample envelope, to about a millisecond.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.pitches import PITCH_FRAMES, pitches_of

Floats = NDArray[np.float64]

RATE = 22_050  # analysis rate: what sounds above 11 kHz begins with what sounds below
HOP = 256
WINDOW = 1024
STEP_S = HOP / RATE
PITCH_STEPS = PITCH_FRAMES // HOP
assert PITCH_STEPS * HOP == PITCH_FRAMES
BAND_EDGES_HZ = ((30.0, 200.0), (200.0, 2000.0), (2000.0, 10_000.0))
LOW, MIDDLE, HIGH = range(3)
BRIGHT = slice(6, 8)  # rows of the flavour from 2500 Hz up
_CHUNK = 4096  # steps of the spectrum that are worked on at once

FINE_FRAMES = 22  # 1 ms
FINE_S = FINE_FRAMES / RATE


@dataclass(frozen=True, slots=True)
class Onsets:
    """What a take says about time.

    strength: shape (3, steps), per band, 0 in the mean and 1 in spread over its
    surroundings, one value every STEP_S; flavour: shape (k, steps), the sound's
    colour and notes, for likeness of bars. times_s, weights: shape (n,), single
    onsets, ascending; weight 1 is an ordinary one. exact: the times were told
    (MIDI, taps) and not heard.
    """

    strength: Floats
    flavour: Floats
    times_s: Floats
    weights: Floats
    duration_s: float
    exact: bool = False
    level: Floats | None = None  # shape (steps,), dB
    pitches: NDArray[np.float32] | None = None  # shape (12, n), one value every PITCH_STEPS steps

    @property
    def steps(self) -> int:
        """Number of values of the strength curve."""
        return int(self.strength.shape[1])


def onsets_of(sound: NDArray[np.float32]) -> Onsets:
    """Onsets in one channel of sound at RATE, shape (frames,)."""
    flux, flavour, level = _spectral(sound)
    times, weights = _single(sound)
    strength = np.array([standing_out(band) for band in flux])
    pitches = pitches_of(sound, RATE)
    return Onsets(
        strength, flavour, times, weights, len(sound) / RATE, level=level, pitches=pitches
    )


def joined(pieces: Sequence[Onsets]) -> Onsets:
    """Onsets of heard pieces that follow each other; all but the last are whole steps long."""
    if len(pieces) == 1:
        return pieces[0]
    starts = np.concatenate([[0.0], np.cumsum([piece.duration_s for piece in pieces])])
    keep = [slice(0, round(piece.duration_s / STEP_S)) for piece in pieces[:-1]] + [slice(None)]
    both = list(zip(pieces, keep, strict=True))
    return Onsets(
        np.concatenate([p.strength[:, k] for p, k in both], axis=1),
        np.concatenate([p.flavour[:, k] for p, k in both], axis=1),
        np.concatenate([p.times_s + at for p, at in zip(pieces, starts, strict=False)]),
        np.concatenate([p.weights for p in pieces]),
        float(starts[-1]),
        level=np.concatenate([p.level[k] for p, k in both if p.level is not None]),
        pitches=np.concatenate(
            [p.pitches[:, _pitch_steps(k)] for p, k in both if p.pitches is not None], axis=1
        ),
    )


def _pitch_steps(steps: slice) -> slice:
    """The values of the pitches that lie in a run of steps."""
    stop = None if steps.stop is None else steps.stop // PITCH_STEPS
    return slice((steps.start or 0) // PITCH_STEPS, stop)


def part_of(onsets: Onsets, begin_s: float, end_s: float) -> Onsets:
    """The onsets between two times, times counted from the first."""
    steps = slice(max(0, round(begin_s / STEP_S)), round(end_s / STEP_S))
    begin = steps.start * STEP_S
    inside = (onsets.times_s >= begin) & (onsets.times_s < end_s)
    return Onsets(
        onsets.strength[:, steps],
        onsets.flavour[:, steps],
        onsets.times_s[inside] - begin,
        onsets.weights[inside],
        min(end_s, onsets.duration_s) - begin,
        onsets.exact,
        None if onsets.level is None else onsets.level[steps],
        None if onsets.pitches is None else onsets.pitches[:, _pitch_steps(steps)],
    )


def standing_out(curve: Floats) -> Floats:
    """A curve against its surroundings: minus its mean, over its spread, within 3 s; -1..4."""
    from scipy.ndimage import uniform_filter1d

    width = max(3, round(3.0 / STEP_S))
    mean = uniform_filter1d(curve, width, mode="nearest")
    square = uniform_filter1d(curve**2, width, mode="nearest")
    spread = np.sqrt(np.maximum(square - mean**2, 0))
    floor = 0.1 * float(np.median(spread)) + 0.05 * float(spread.max(initial=0.0)) + 1e-9
    return np.asarray(np.clip((curve - mean) / (spread + floor), -1.0, 4.0))


# --- the strength curve ------------------------------------------------------------------------


def _chunks(sound: NDArray[np.float32]) -> Iterator[NDArray[np.float32]]:
    """Magnitude spectra, (steps, bins); step n is centred on frame n * HOP."""
    from scipy.fft import rfft

    padded = np.pad(sound, (WINDOW // 2, WINDOW))
    frames = np.lib.stride_tricks.sliding_window_view(padded, WINDOW)[::HOP]
    window = np.hanning(WINDOW).astype(np.float32)
    steps = len(sound) // HOP + 1
    for first in range(0, steps, _CHUNK):
        yield np.abs(rfft(frames[first : min(steps, first + _CHUNK)] * window, axis=1))


def _filters() -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Triangular bands a third of an octave apart, (bands, bins), and the group of each."""
    edges = 40.0 * 2 ** (np.arange(26) / 3)
    freqs = np.fft.rfftfreq(WINDOW, 1 / RATE)
    bank, groups = [], []
    for low, centre, high in zip(edges, edges[1:], edges[2:], strict=False):
        rise = np.clip((freqs - low) / (centre - low), 0, 1)
        weights = np.minimum(rise, np.clip((high - freqs) / (high - centre), 0, 1))
        if weights.sum() > 0.1:
            bank.append(weights / weights.sum())
            groups.append(next((g for g, (_, top) in enumerate(BAND_EDGES_HZ) if centre < top), 2))
    return np.array(bank, dtype=np.float32), np.array(groups)


def _spectral(sound: NDArray[np.float32]) -> tuple[Floats, Floats, Floats]:
    """Flux of each band group (3, steps), flavour (k, steps), level in dB (steps,)."""
    bank, groups = _filters()
    chroma_of = _chroma_map()
    bands, notes = [], []
    for spectrum in _chunks(sound):
        bands.append(spectrum @ bank.T)
        notes.append(spectrum @ chroma_of)
    energy = np.concatenate(bands).T.astype(np.float64)
    floor = 1e-5 * WINDOW + np.median(energy, axis=1, keepdims=True) * 0.5
    loud = np.log1p(energy / floor)
    rise = np.maximum(np.diff(loud, axis=1, prepend=loud[:, :1]), 0)
    rise += np.maximum(np.roll(rise, -1, axis=1), 0)  # an attack is spread over two steps
    flux = np.array([rise[groups == group].mean(axis=0) for group in range(3)])
    chroma = np.log1p(np.concatenate(notes).T.astype(np.float64) / np.median(floor))
    coarse = np.add.reduceat(loud, np.arange(0, len(loud), 3), axis=0) / 3
    level = 20 * np.log10(np.sqrt((energy**2).mean(axis=0)) / WINDOW + 1e-9)
    return flux, np.concatenate([coarse, chroma]), level


def _chroma_map() -> NDArray[np.float32]:
    """From bins to twelve notes, (bins, 12), 100 to 2000 Hz."""
    freqs = np.fft.rfftfreq(WINDOW, 1 / RATE)
    out = np.zeros((len(freqs), 12), dtype=np.float32)
    for n, freq in enumerate(freqs):
        if 100 < freq < 2000:
            note = 12 * np.log2(freq / 440) % 12
            out[n, int(note) % 12] += 1 - note % 1
            out[n, (int(note) + 1) % 12] += note % 1
    return np.asarray(out / np.maximum(out.sum(axis=0), 1), dtype=np.float32)


# --- single onsets -----------------------------------------------------------------------------


def _single(sound: NDArray[np.float32]) -> tuple[Floats, Floats]:
    """Times (s) and weights of single onsets, from envelopes in bands at 1 ms."""
    from scipy.signal import butter, find_peaks, sosfilt

    count = len(sound) // FINE_FRAMES
    if count < 64:
        return np.empty(0), np.empty(0)
    novelty = np.zeros(count)
    for low, high in BAND_EDGES_HZ:
        band = sosfilt(butter(2, (low, high), "band", fs=RATE, output="sos"), sound)
        power = np.square(band[: count * FINE_FRAMES]).reshape(count, FINE_FRAMES).sum(axis=1)
        novelty += _jumps(power, ahead=10 if low < 100 else 6)
    novelty /= 3
    typical = float(np.quantile(novelty, 0.9)) + 1e-9
    peaks, _ = find_peaks(novelty, height=max(0.12, 0.25 * typical), distance=25)
    heights = novelty[peaks]
    weights = heights / (np.quantile(heights, 0.75) + 1e-9) if len(heights) else heights
    return _between_samples(novelty, peaks) * FINE_S, np.minimum(weights, 2.0)


def _jumps(power: Floats, ahead: int) -> Floats:
    """How much louder it is just after each millisecond than just before, nats, not negative."""
    total = np.concatenate([[0.0], np.cumsum(power)])
    at = np.arange(len(power))
    behind = 14
    after = (total[np.minimum(at + ahead, len(power))] - total[at]) / ahead
    before = (total[at] - total[np.maximum(at - behind, 0)]) / behind
    floor = 0.3 * float(np.median(power)) + 0.002 * float(np.quantile(power, 0.98)) + 1e-12
    return np.asarray(np.maximum(np.log((after + floor) / (before + floor)), 0))


def _between_samples(curve: Floats, peaks: NDArray[np.int64]) -> Floats:
    """Peaks placed between samples by a parabola through three."""
    if not len(peaks):
        return peaks.astype(np.float64)
    inner = np.clip(peaks, 1, len(curve) - 2)
    left, top, right = curve[inner - 1], curve[inner], curve[inner + 1]
    bend = np.minimum(left - 2 * top + right, -1e-12)
    return np.asarray(inner + np.clip(0.5 * (left - right) / bend, -0.5, 0.5))


# --- told, not heard ---------------------------------------------------------------------------


def onsets_of_times(
    times_s: Floats, weights: Floats | None = None, bands: NDArray[np.int64] | None = None
) -> Onsets:
    """Onsets whose times are known: taps, pads, keys. weights 0..1 (velocity), bands 0..2.

    What sounds within 12 ms counts as one onset, at the mean of its times.
    """
    from scipy.ndimage import gaussian_filter1d

    order = np.argsort(times_s, kind="stable")
    times = np.asarray(times_s, dtype=np.float64)[order]
    heavy = np.ones(len(times)) if weights is None else np.asarray(weights, float)[order]
    where = np.full(len(times), MIDDLE) if bands is None else np.asarray(bands)[order]
    end = float(times[-1]) + 2.0 if len(times) else 0.0
    steps = int(end / STEP_S) + 2
    curve = np.zeros((3, steps))
    np.add.at(curve, (where, np.round(times / STEP_S).astype(int)), heavy)
    smooth = gaussian_filter1d(np.minimum(curve, 1.5), 1.0, axis=1)
    strength = np.array([standing_out(band) for band in smooth])
    merged, strong = _merged(times, heavy)
    return Onsets(strength, smooth, merged, strong, end, exact=True)


def _merged(times: Floats, weights: Floats, within_s: float = 0.012) -> tuple[Floats, Floats]:
    if not len(times):
        return times, weights
    starts = np.flatnonzero(np.diff(times, prepend=-1e9) > within_s)
    total = np.add.reduceat(weights, starts)
    mean = np.add.reduceat(times * weights, starts) / total
    return mean, np.minimum(total / (np.quantile(total, 0.75) + 1e-9), 2.0)
