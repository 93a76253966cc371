"""A loop fitted to its bars: the exact number of frames, its hits in place, no seam to hear."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.audio.find import FoundLoop, cut_out
from syncbox.audio.onsets import Onsets, Sound, Values, find_loop_onsets
from syncbox.audio.slices import move_slices
from syncbox.audio.stretch import keep_attacks, resample, stretch
from syncbox.errors import ShowError
from syncbox.schedule.fitting import LoopTarget, stretched_target
from syncbox.score.song import FitWay
from syncbox.units import round_half_up

VERSION = 2  # of everything that makes a fitted loop; raised when it would come out different
MATCH_MS = 10.0  # a hit of the result further away than this is another hit
MATCH_MIN = 0.8  # correlation of two hits' envelopes; less is not the same hit
ATTACK_MS = (-2.0, 8.0)  # of a hit: what is looked for
SEAM_MS = 3.0  # over which a step at the seam is levelled out
SHARP = 0.3  # of the strongest hit: one that tells drums from chords
DRUMS_RISE_DB = 14.0  # from what rings before a hit to the hit: drums rise by more
_REST_S = 0.5  # of silence behind a sound that is no loop
_WHOLE_S = 60.0  # a longer sound is stretched as a whole: its hits would take minutes to find
RATIO_MAX = 4.0  # more than this faster or slower is a mistake in the number of bars


@dataclass(frozen=True, slots=True)
class Fitted:
    """A fitted loop (channels, target frames) and how well it came out.

    hits: frames of the trimmed source; places: frames of the result where they
    belong, not rounded; errors_ms: of the hits that were found again. Steps are
    differences between neighbouring samples, full scale is 1.
    """

    sound: Sound
    source: Sound
    way: FitWay
    found: FoundLoop
    target: LoopTarget
    hits: Onsets
    places: Values
    errors_ms: Values
    seam_step: float
    largest_step: float

    def tempo_ratio(self) -> float:
        """How much faster the result is than the source, over all."""
        return self.found.length_frames / self.target.frame_count


def fit_loop(sound: Sound, rate: int, found: FoundLoop, target: LoopTarget, way: FitWay) -> Fitted:
    """Fit a loop that was found in a sound (channels, n) to its bars.

    Raises ShowError where source and bars are too different, and UnreadableError
    where the way needs a library that is not there.
    """
    source = cut_out(sound, found)
    ratio = source.shape[1] / max(1, target.frame_count)
    if not 1 / RATIO_MAX <= ratio <= RATIO_MAX:
        raise ShowError(
            f"the loop would have to be {max(ratio, 1 / ratio):.1f} times "
            f"{'faster' if ratio > 1 else 'slower'}",
            hint="is the number of bars right?",
        )
    hits = find_loop_onsets(source, rate)
    places = places_of(hits.frames, source.shape[1], target)
    made = close_seam(_made(source, hits, places, target, way=way, rate=rate), rate)
    assert made.shape[1] == target.frame_count, (made.shape, target.frame_count)
    seam, largest = steps(made)
    return Fitted(
        made,
        source,
        way,
        found,
        target,
        hits,
        places,
        onset_errors_ms(
            made,
            source,
            hits.frames,
            places,
            rate=rate,
            speeds=_speeds(way, source, hits, target),
        ),
        seam,
        largest,
    )


def _made(
    source: Sound, hits: Onsets, places: Values, target: LoopTarget, *, way: FitWay, rate: int
) -> Sound:
    if way is FitWay.RESAMPLE:
        return resample(source, target)
    whole = np.minimum(np.round(places).astype(np.int64), target.frame_count - 1)
    if way is FitWay.SLICES:
        return move_slices(source, hits.frames, whole, target.frame_count, rate)
    assert way is FitWay.STRETCH, way
    return keep_attacks(stretch(source, target, rate), source, hits.frames, whole, rate)


def at_speed(sound: Sound, rate: int, speed: Fraction, *, goes_round: bool) -> Sound:
    """A whole sound (channels, n) slower or faster at its own pitch; n / speed frames.

    goes_round: its end meets its beginning, as in a loop. Raises UnreadableError where
    the way needs a library that is not there.
    """
    rest = np.zeros((sound.shape[0], 0 if goes_round else round(_REST_S * rate)), np.float32)
    source = np.concatenate([sound, rest], axis=1)  # what is no loop must not meet its beginning
    target = stretched_target(source.shape[1], speed)
    if source.shape[1] > _WHOLE_S * rate:
        made = stretch(source, target, rate)
    else:
        hits = find_loop_onsets(source, rate)
        places = places_of(hits.frames, source.shape[1], target)
        way = likely_way(source, rate) if goes_round else FitWay.STRETCH
        made = _made(source, hits, places, target, way=way, rate=rate)
    made = close_seam(made, rate) if goes_round else made
    return np.ascontiguousarray(made[:, : round_half_up(sound.shape[1] / speed)])


def likely_way(source: Sound, rate: int) -> FitWay:
    """Slices for a loop of hits that fall well before the next one; else stretching."""
    hits = find_loop_onsets(source, rate)
    sharp = hits.frames[hits.strengths >= SHARP]
    if len(sharp) < 2:
        return FitWay.STRETCH
    level = _envelope(source, rate)
    near, far = round(0.004 * rate), round(0.03 * rate)
    before = np.array([level[np.arange(hit - near, hit - 2)].mean() for hit in sharp])
    after = np.array([level[np.arange(hit, hit + far) % len(level)].max() for hit in sharp])
    rise_db = 20 * np.log10((after + 1e-6) / (before + 1e-6))
    return FitWay.SLICES if np.median(rise_db) >= DRUMS_RISE_DB else FitWay.STRETCH


def places_of(frames: NDArray[np.int64], length: int, target: LoopTarget) -> Values:
    """Where frames of a loop of this length belong in the target, not rounded."""
    places = target.frames_of(np.asarray(frames * (target.ticks / length), np.float64))
    return places * (target.frame_count / target.knot_frames[-1])


def _speeds(way: FitWay, source: Sound, hits: Onsets, target: LoopTarget) -> Values | None:
    """How much faster each hit itself became: only where pitch changed with the tempo."""
    if way is not FitWay.RESAMPLE:
        return None
    length, near = source.shape[1], hits.frames
    step = np.full(len(near), max(1, length // 512))
    later = places_of(near + step, length, target)
    return np.asarray(step / np.maximum(later - places_of(near, length, target), 1e-9))


def close_seam(loop: Sound, rate: int) -> Sound:
    """The loop without a step where its end meets its beginning, if there was one to hear.

    The end is bent over a few ms so that it meets the beginning; the beginning, where
    the hit is, stays as it is.
    """
    seam, largest = steps(loop)
    if seam <= largest or loop.shape[1] < 4:
        return loop
    width = min(loop.shape[1] // 2, max(2, round(SEAM_MS * rate / 1000)))
    bend = 0.5 - 0.5 * np.cos(np.pi * (np.arange(width) + 1) / width)
    out = loop.astype(np.float64)
    step = loop[:, :1] - loop[:, -1:]
    out[:, loop.shape[1] - width :] += step * bend
    return out.astype(np.float32)


def steps(loop: Sound) -> tuple[float, float]:
    """(step from the last frame to the first, the largest step inside), over all channels."""
    if loop.shape[1] < 2:
        return 0.0, 0.0
    inside = float(np.abs(np.diff(loop, axis=1)).max())
    return float(np.abs(loop[:, 0] - loop[:, -1]).max()), inside


def onset_errors_ms(
    made: Sound,
    source: Sound,
    hits: NDArray[np.int64],
    places: Values,
    *,
    rate: int,
    speeds: Values | None = None,
) -> Values:
    """How late each hit of the source is found in a loop, ms, for those that are found, (k,).

    The envelope around each hit in the source is laid over the result near its place; it
    lies where the correlation is highest. That finds a hit also in a dense mix, where
    single beginnings cannot be told apart. `speeds`: how much faster each hit itself is
    in the result.
    """
    first, last = (round(ms * rate / 1000) for ms in ATTACK_MS)
    reach = round(MATCH_MS * rate / 1000)
    before, after = _envelope(source, rate), _envelope(made, rate)
    errors = []
    into = np.arange(first, last)
    speeds = np.ones(len(hits)) if speeds is None else speeds
    for hit, place, speed in zip(hits, places, speeds, strict=True):
        shape = before[(hit + np.round(into * speed).astype(np.int64)) % len(before)]
        near = round(float(place))
        around = after[np.arange(near + first - reach, near + last + reach) % len(after)]
        views = np.lib.stride_tricks.sliding_window_view(around, len(shape))
        shape = shape - shape.mean()
        spread = views.std(axis=1) * np.sqrt(len(shape) * float((shape**2).sum()))
        fits = (views @ shape) / np.maximum(spread, 1e-12)
        best = int(fits.argmax())
        if fits[best] >= MATCH_MIN and 0 < best < len(fits) - 1:
            errors.append((near - place + best - reach) * 1000 / rate)
    return np.array(errors, np.float64)


def _envelope(loop: Sound, rate: int) -> Values:
    """Level of a circle of sound over half a millisecond, shape (frames,)."""
    width = max(1, round(0.0005 * rate)) | 1
    power = np.square(loop, dtype=np.float64).mean(axis=0)
    around = np.pad(power, width // 2, mode="wrap")
    smooth = np.convolve(around, np.ones(width) / width, mode="valid")
    return np.asarray(np.sqrt(np.maximum(smooth, 0.0)))


def percentiles(errors_ms: Values) -> dict[str, float | None]:
    """Sizes of errors: {p50, p95, max} in ms; None where nothing was found."""
    if not len(errors_ms):
        return {"p50": None, "p95": None, "max": None}
    sizes = np.abs(errors_ms)
    p50, p95 = np.percentile(sizes, [50, 95])
    return {"p50": float(p50), "p95": float(p95), "max": float(sizes.max())}
