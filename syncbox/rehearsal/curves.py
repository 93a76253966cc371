"""What is heard at each moment of a take that tells beats, bar lines and section lines."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import Chart
from syncbox.rehearsal.onsets import BRIGHT, HIGH, LOW, STEP_S, Floats, Onsets, standing_out

SILENCE_PRICE, SILENCE_DB = 2.0, 6.0  # of a beat where nothing sounds, below the music's level
NOTES = 12  # rows of the flavour, the last ones
DEEP = 2  # rows of the flavour, 40 to 160 Hz
AFTER = 7  # steps, 80 ms
_LONG = 3  # values of the pitches, 0.28 s: longer than a drum rings
TONAL_MIN = 0.2  # nats; drums reach 0.18, brushes 0.14, nearly all that is pitched 0.21 and more


def curves_of(onsets: Onsets) -> Floats:
    """What begins at each frame, two steps long, each row over its spread: (3, frames).

    Rows: strength for beats (0) and bar lines (1), how much is low (2).
    """
    from scipy.ndimage import gaussian_filter1d

    beat = onsets.strength.mean(axis=0)
    line = 0.6 * onsets.strength[LOW] + 0.4 * onsets.strength[HIGH]
    smooth = gaussian_filter1d(np.array([beat, line]), 1.5, axis=1)
    curves = np.array([*(over_spread(in_frames(row)) for row in smooth), low_of(onsets)])
    curves[0] -= SILENCE_PRICE * silent_steps(onsets)[: 2 * curves.shape[1] : 2]
    return curves


def low_of(onsets: Onsets) -> Floats:
    """How much is low at each frame, over its spread, (frames,)."""
    return over_spread(in_frames(_depth(onsets)))


def in_frames(curve: Floats) -> Floats:
    """The higher of every two steps, (frames,)."""
    count = len(curve) // 2
    return np.asarray(curve[: 2 * count].reshape(count, 2).max(axis=1))


def over_spread(curve: Floats) -> Floats:
    """A curve round 0, in its own standard deviations."""
    return np.asarray((curve - curve.mean()) / (curve.std() + 1e-9))


def chord_changes(onsets: Onsets, width_s: float) -> Floats:
    """How far the notes just after each step differ from those just before, 0..2, (steps,)."""
    notes = onsets.flavour[-NOTES:]
    shares = notes / (notes.sum(axis=0) + 1e-9)
    before, after = _means_round(shares, max(2, round(width_s / STEP_S)))
    return np.asarray(np.abs(after - before).sum(axis=0))


def _depth(onsets: Onsets) -> Floats:
    """How loud the lowest sound is just after each step, against its surroundings, (steps,).

    The first beat of a bar is the heaviest, also where as much begins on the others.
    """
    from scipy.ndimage import maximum_filter1d

    low = onsets.flavour[LOW : LOW + 1] if onsets.exact else onsets.flavour[:DEEP]
    after = maximum_filter1d(low.mean(axis=0), AFTER, origin=-(AFTER // 2))
    return standing_out(after)


def silent_steps(onsets: Onsets) -> NDArray[np.bool_]:
    """Where nothing sounds, as before a song: within 0.25 s near the take's floor, (steps,)."""
    from scipy.ndimage import maximum_filter1d, uniform_filter1d

    if onsets.level is None:
        return np.zeros(onsets.steps, dtype=bool)
    level = uniform_filter1d(onsets.level, 9)
    floor, music = np.quantile(level, 0.01), np.median(level)
    if music - floor < SILENCE_DB:
        return np.zeros(onsets.steps, dtype=bool)
    highest = maximum_filter1d(level, round(0.5 / STEP_S))
    return np.asarray(highest < floor + 0.25 * (music - floor))


def tonal(onsets: Onsets) -> bool:
    """Whether notes sound, and not drums alone: some of the twelve stand out at any time."""
    if onsets.pitches is None or onsets.exact:
        return False
    count = onsets.pitches.shape[1] // _LONG
    long = onsets.pitches[:, : _LONG * count].reshape(NOTES, count, _LONG).mean(axis=2)
    return bool(count) and float(long.std(axis=0).mean()) > TONAL_MIN


def sound_changes(chart: Chart, onsets: Onsets) -> Floats:
    """How much the sound changes at each frame, as it does where a section begins, (frames,)."""
    bar_s = float(np.median([bar.seconds for bar in chart.bars]))
    flavour = onsets.flavour
    parts = [_contrast(flavour, round(n * bar_s / STEP_S)) for n in (1, 2, 4)]
    bright = flavour if onsets.exact else flavour[BRIGHT]
    crash = _contrast(bright, round(0.4 / STEP_S), rising=True)
    total = sum(over_spread(part) for part in parts) + 2 * over_spread(crash)
    return np.asarray(np.clip(over_spread(in_frames(total)), -1.0, 4.0))


def _contrast(flavour: Floats, width: int, *, rising: bool = False) -> Floats:
    """Distance of the mean over `width` steps after each step from the mean before, (steps,)."""
    before, after = _means_round(flavour, width)
    if rising:
        return np.asarray(np.maximum(after - before, 0).mean(axis=0))
    return np.asarray(np.sqrt(((after - before) ** 2).mean(axis=0)))


def _means_round(rows: Floats, width: int) -> tuple[Floats, Floats]:
    """Means over `width` steps before and after each step, (rows, steps) each."""
    steps = rows.shape[1]
    total = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(rows, axis=1)], axis=1)
    at = np.arange(steps)
    end, begin = np.minimum(at + width, steps), np.maximum(at - width, 0)
    after = (total[:, end] - total[:, at]) / np.maximum(end - at, 1)
    before = (total[:, at] - total[:, begin]) / np.maximum(at - begin, 1)
    return before, after
