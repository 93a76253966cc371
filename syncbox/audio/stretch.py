"""A loop made longer or shorter: with its pitch kept, or together with its pitch.

The stretching library is signalsmith-stretch by way of python-stretch (MIT). It smears
what is sudden over its window of a tenth of a second and is quiet at both ends, so
three rounds are stretched and the middle one kept, and around each strong hit the
untouched sound is laid over the stretched one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from syncbox.audio.onsets import Sound, Values
from syncbox.errors import UnreadableError
from syncbox.schedule.fitting import LoopTarget
from syncbox.units import TICKS_PER_QUARTER

PIECE_TICKS = TICKS_PER_QUARTER // 4  # steady pieces of a changing tempo
AROUND_S = 0.25  # sound on both sides of a piece, so that the stretcher is settled
JOIN_MS, ALIGN_MS = 8.0, 4.0
BEFORE_MS, AFTER_MS = 25.0, 14.0  # of the untouched sound around a hit
TAPS = 32  # on each side, where sound is read between its frames
SEED = 1  # the stretcher shuffles phases; the same ones each time


def stretch(loop: Sound, target: LoopTarget, rate: int) -> Sound:
    """The loop (channels, n) over the target's frames, pitch kept. Needs the extra `fit`."""
    length, count = loop.shape[1], target.frame_count
    around = np.tile(loop, 3)
    if target.is_steady:
        if length == count:
            return loop.copy()
        made = _run(around, 3 * count, rate)
        return np.ascontiguousarray(made[:, count : 2 * count])
    ticks = np.arange(0, target.ticks, PIECE_TICKS, dtype=np.float64)
    ticks = np.append(ticks, target.ticks)
    sources = ticks / target.ticks * length
    places = np.round(target.frames_of(ticks) * count / target.knot_frames[-1]).astype(int)
    out = np.zeros((loop.shape[0], count))
    join = round(JOIN_MS * rate / 1000)
    last: Values | None = None
    for first, end, start, stop in zip(
        sources[:-1], sources[1:], places[:-1], places[1:], strict=True
    ):
        piece = _piece(around, length, (first, end), stop - start, join=join, last=last, rate=rate)
        last = piece[:, -2 * join :]
        faded = piece * _window(piece.shape[1], join)
        out[:, np.arange(start - join, stop + join) % count] += faded
    return out.astype(np.float32)


def _piece(
    around: Sound,
    length: int,
    source: tuple[float, float],
    count: int,
    *,
    join: int,
    last: Values | None,
    rate: int,
) -> Values:
    """One piece at one factor with `join` frames more on both sides, shape (c, count + 2 join).

    It is shifted by up to a few ms so that it joins the one before in phase.
    """
    factor = count / (source[1] - source[0])
    margin = round(AROUND_S * rate)
    first, end = round(length + source[0]), round(length + source[1])
    margin = min(margin, first, around.shape[1] - end)
    made = _run(around[:, first - margin : end + margin], 0, rate, factor)
    start = round(margin * factor) - join
    size = count + 2 * join
    shift = 0
    reach = round(ALIGN_MS * rate / 1000)
    if last is not None and start >= reach:
        wide = made[:, start - reach : start + reach + 2 * join].mean(axis=0)
        fits = np.correlate(wide, last.mean(axis=0), mode="valid")
        power = np.cumsum(np.concatenate([[0.0], wide.astype(np.float64) ** 2]))
        inside = power[2 * join :] - power[: len(power) - 2 * join]
        fits = fits / np.sqrt(inside + 1e-9)
        shift = int(fits.argmax()) - reach if fits.max() > 0 else 0
    start = max(0, min(start + shift, made.shape[1] - size))
    taken = made[:, start : start + size].astype(np.float64)
    return np.pad(taken, ((0, 0), (0, size - taken.shape[1])))


def _window(size: int, join: int) -> Values:
    """Rises over the first 2 join frames and falls over the last; neighbours add up to 1."""
    window = np.ones(size)
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(2 * join) + 0.5) / (2 * join))
    window[: 2 * join] = rise
    window[-2 * join :] *= rise[::-1]
    return window


def _run(sound: Sound, count: int, rate: int, factor: float = 0.0) -> Sound:
    """The sound at `count` frames, or at `factor` times its length."""
    stretcher: Any = _stretcher()(SEED)
    stretcher.preset(sound.shape[0], float(rate))
    stretcher.setTimeFactor(sound.shape[1] / count if count else 1 / factor)
    made = np.asarray(stretcher.process(np.ascontiguousarray(sound)), np.float32)
    if count and made.shape[1] != count:  # its length is rounded from a float
        made = np.pad(made, ((0, 0), (0, max(0, count - made.shape[1]))))[:, :count]
    return made


def _stretcher() -> Any:
    try:
        from python_stretch import Signalsmith
    except ImportError:
        raise UnreadableError(
            "stretching needs python-stretch",
            hint="pip install 'syncbox[fit]', or use slices or resample",
        ) from None
    return Signalsmith.Stretch


def keep_attacks(
    stretched: Sound,
    loop: Sound,
    hits: NDArray[np.int64],
    places: NDArray[np.int64],
    rate: int,
) -> Sound:
    """The stretched loop with the untouched sound laid over it around each hit.

    hits: frames of the loop; places: frames of the result, both ascending.
    """
    out = stretched.astype(np.float64)
    count, length = out.shape[1], loop.shape[1]
    for index, (hit, place) in enumerate(zip(hits, places, strict=True)):
        nearest = min(
            _gap(hits, index, length, -1),
            _gap(places, index, count, -1),
        )
        following = min(_gap(hits, index, length, 1), _gap(places, index, count, 1))
        before = min(round(BEFORE_MS * rate / 1000), nearest // 2)
        after = min(round(AFTER_MS * rate / 1000), following // 2)
        if before < 4 or after < 4:
            continue
        into = np.arange(-before, after)
        weight = np.interp(into, [-before, -before / 3, after / 2, after], [0.0, 1.0, 1.0, 0.0])
        weight = 0.5 - 0.5 * np.cos(np.pi * weight)
        at = (place + into) % count
        own, other = loop[:, (hit + into) % length].astype(np.float64), out[:, at]
        together = float((own * other).sum() / (np.sqrt((own**2).sum() * (other**2).sum()) + 1e-12))
        power = weight**2 + (1 - weight) ** 2 + 2 * weight * (1 - weight) * max(0.0, together)
        out[:, at] = (own * weight + other * (1 - weight)) / np.sqrt(power)
    return out.astype(np.float32)


def _gap(frames: NDArray[np.int64], index: int, length: int, step: int) -> int:
    """Frames to the hit before or after, around the circle."""
    if len(frames) < 2:
        return length
    other = frames[(index + step) % len(frames)]
    return int((other - frames[index]) * step % length)


def resample(loop: Sound, target: LoopTarget) -> Sound:
    """The loop (channels, n) over the target's frames, pitch changed with the tempo."""
    length, count = loop.shape[1], target.frame_count
    if target.is_steady and length == count:
        return loop.copy()
    if target.is_steady:
        import soxr

        made = soxr.resample(np.tile(loop, 3).T, length, count, quality="VHQ").T
        return np.ascontiguousarray(made[:, count : 2 * count], dtype=np.float32)
    frames = np.arange(count) * (target.knot_frames[-1] / count)
    ticks = np.interp(frames, target.knot_frames, target.knot_ticks)
    return read_between(loop, ticks * (length / target.ticks))


def read_between(loop: Sound, positions: Values) -> Sound:
    """A circle of sound (channels, n) read at places between its frames, shape (channels, k).

    Band-limited interpolation with a windowed sinc (Smith, Digital Audio Resampling,
    from memory). Where the places are further apart than frames, what would fold
    back is cut off.
    """
    apart = np.gradient(positions) if len(positions) > 1 else np.ones(1)
    speed = max(1.0, float(apart.max(initial=1.0)))
    reach = int(np.ceil(TAPS * speed))
    around = np.arange(-reach + 1, reach + 1)
    out = np.empty((loop.shape[0], len(positions)), np.float32)
    for first in range(0, len(positions), 4096):
        at = positions[first : first + 4096, np.newaxis]
        cut = 1.0 / np.maximum(1.0, apart[first : first + 4096, np.newaxis])
        base = np.floor(at).astype(np.int64)
        away = at - base - around
        shape = np.cos(np.pi * away / (2 * reach + 1)) ** 2
        kernel = cut * np.sinc(cut * away) * shape
        taken = loop[:, (base + around) % loop.shape[1]]
        out[:, first : first + 4096] = np.einsum("ckt,kt->ck", taken, kernel)
    return out
