"""A loop's own tempo, downbeat and length, when it is known how many bars it holds.

A file that was cut well is exactly its bars long, and its hits lie on the grid that its
length gives. Where they do not (codec padding, a count before, a tail that was cut
off or left on), the grid is searched: for each length the hits are laid around a
circle that turns once every sixteenth (and once every triplet eighth), and the more
they gather in one place, the better the length.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import log

import numpy as np
from numpy.typing import NDArray

from syncbox.audio.onsets import Onsets, Sound, Values, find_onsets, rise_curve
from syncbox.errors import ShowError

GRIDS = (4, 3)  # parts of a quarter that hits may lie on
FINEST = 4
SHORTEST, LONGEST = 0.7, 1.2  # of the file: what the loop's length may be
GOOD = 0.85  # how well hits must gather for the grid to be believed (0 to 1)
AS_GOOD, STILL_GOOD = 0.97, 0.85  # of the best length's grid: the file's own length is taken,
NEAR_LENGTH = 0.003  # the second where the two differ by no more than this part
STANDS_OUT = 20.0  # so many times as good as most lengths: sure
CLEAR = 0.6  # less certain than this, and the file is taken as it is
FEWEST = 4  # hits; fewer say nothing about a tempo
NEAR_GRID_MS = 9.0  # as close as the file's beginning must be to the grid
LOUD_PART = 0.35  # of the strongest hit: a strong one
TEMPO_USUAL_QPM = 105.0  # where a number of bars that is not known is looked for
ODD_BARS_COST = 0.25  # loops of three or five bars are rare
BARS_GUESSED = (1, 2, 4, 8, 16, 3, 6, 12, 5)


@dataclass(frozen=True, slots=True)
class FoundLoop:
    """Where a loop lies in its file, in frames (the length may end between two frames).

    `certainty` 0 to 1: how far its grid stands out of others; 0 where it has no hits.
    """

    start_frame: int
    length_frames: float
    bars: int
    quarters: Fraction
    certainty: float
    onsets: Onsets  # frames from the loop's start

    def tempo_qpm(self, rate: int) -> float:
        """The loop's own tempo in quarters a minute."""
        return float(self.quarters) * 60.0 * rate / self.length_frames


def guess_bars(frame_count: int, rate: int, bar_quarters: Fraction, tempo_qpm: float = 0.0) -> int:
    """How many bars a file probably holds, so that its tempo comes near another one."""
    goal = tempo_qpm or TEMPO_USUAL_QPM
    bar_frames = float(bar_quarters) * 60 * rate

    def distance(bars: int) -> float:
        odd = 0.0 if bars & (bars - 1) == 0 else ODD_BARS_COST
        return abs(log(bars * bar_frames / frame_count / goal)) + odd

    return min(BARS_GUESSED, key=distance)


def find_loop(
    sound: Sound,
    rate: int,
    bars: int,
    bar_quarters: Fraction,
    *,
    start_frame: int | None = None,
    tempo_qpm: float | None = None,
) -> FoundLoop:
    """The loop of so many bars in a sound (channels, frames).

    What is given by hand is not searched. Raises ShowError for a sound with nothing
    in it.
    """
    if not np.abs(sound).max(initial=0.0) > 0.0:
        raise ShowError("the sound is silent", hint="is this the right file?")
    quarters = bars * bar_quarters
    onsets, curve = find_onsets(sound, rate), rise_curve(sound, rate)
    whole = float(sound.shape[1])
    if tempo_qpm is not None:
        length = float(quarters) * 60 * rate / tempo_qpm
        start = first_strong(onsets) if start_frame is None else start_frame
    elif start_frame is not None:
        start, later = start_frame, curve.frames >= start_frame - 1
        used = onsets.only(onsets.frames >= start_frame - 1)
        length = _length(curve.only(later), used, whole - start_frame, quarters)
    else:
        start, length = _search(curve, onsets, whole, quarters, NEAR_GRID_MS * rate / 1000)
    if length <= rate * 0.05:
        raise ShowError("the loop is too short to be music", hint="write fewer bars")
    after = (onsets.frames >= start - 1) & (onsets.frames < start + length - 0.002 * rate)
    kept = onsets.only(after)
    shifted = Onsets(np.maximum(kept.frames - start, 0), kept.strengths)
    within = (curve.frames >= start - 1) & (curve.frames < start + length)
    certainty = _certainty(curve.only(within), length, quarters) if len(kept) else 0.0
    return FoundLoop(start, length, bars, quarters, round(certainty, 3), shifted)


def first_strong(onsets: Onsets) -> int:
    """Frame of the first strong hit; 0 where there is none."""
    strong = onsets.frames[onsets.strengths >= LOUD_PART]
    return int(strong[0]) if len(strong) else 0


def _search(
    curve: Onsets, onsets: Onsets, whole: float, quarters: Fraction, near: float
) -> tuple[int, float]:
    """Start and length: the whole file where its hits agree, else what they say."""
    length = _length(curve, onsets, whole, quarters)
    quarter = whole / float(quarters)
    phase = float(np.angle(_turns(curve, quarter, FINEST))) / (2 * np.pi) * quarter / FINEST
    clear = len(onsets) >= FEWEST and _certainty(curve, length, quarters) >= CLEAR
    if not clear or (length == whole and abs(phase) <= near):
        return 0, whole
    return first_strong(onsets), length


def _length(curve: Onsets, onsets: Onsets, whole: float, quarters: Fraction) -> float:
    """The length whose grid gathers the rises best; the whole sound where it is as good."""
    if len(onsets) < FEWEST:
        return whole
    beats = float(quarters)
    span = float(onsets.frames[-1] - onsets.frames[0])
    lengths = _lengths(whole, beats)
    step = lengths[1] - lengths[0]
    lengths = lengths[lengths >= span]
    if not len(lengths):
        return whole
    scores = np.array([_score(curve, length / beats) for length in lengths])
    own = _score(curve, whole / beats) / scores.max()
    if own >= AS_GOOD:
        return whole
    # Of peaks that are nearly as high, the one nearest to the file's length.
    padded = np.pad(scores, 1)
    peak = (scores >= padded[:-2]) & (scores >= padded[2:])
    near = lengths[peak & (scores >= 0.95 * scores.max())]
    length = float(near[np.abs(np.log(near / whole)).argmin()])
    if _certainty(curve, length, quarters) < CLEAR:
        return whole
    fine = length + np.linspace(-step, step, 81)
    length = float(fine[np.argmax([_score(curve, each / beats) for each in fine])])
    if own >= STILL_GOOD and abs(length / whole - 1) <= NEAR_LENGTH:
        return whole
    return _refined(onsets, length / beats) * beats


def _lengths(whole: float, beats: float) -> Values:
    """Lengths that are tried, so close that no grid slips through."""
    return np.arange(SHORTEST * whole, LONGEST * whole, whole / (beats * FINEST * 12))


def _certainty(curve: Onsets, length: float, quarters: Fraction) -> float:
    """How far a length's grid stands out of the grids of all lengths around, 0 to 1."""
    if not len(curve):
        return 0.0
    beats = float(quarters)
    usual = float(np.median([_score(curve, each / beats) for each in _lengths(length, beats)]))
    return min(1.0, _score(curve, length / beats) / max(usual, 1e-12) / STANDS_OUT)


def _turns(onsets: Onsets, quarter_frames: float, parts: int) -> complex:
    """Mean place on a circle that turns `parts` times a quarter; length 0 to 1."""
    turns = np.exp(2j * np.pi * parts * onsets.frames / quarter_frames)
    return complex((onsets.strengths * turns).sum() / max(onsets.strengths.sum(), 1e-12))


def _score(curve: Onsets, quarter_frames: float) -> float:
    """How well rises gather on quarters and on their halves and fourths, or their thirds."""
    by = {n: abs(_turns(curve, quarter_frames, n)) ** 2 for n in (1, 2, 3, FINEST)}
    return by[1] + max(by[2] + by[FINEST], by[3])


def gathering(onsets: Onsets, quarter_frames: float) -> float:
    """How well hits lie on sixteenths, or on triplet eighths, 0 to 1."""
    even = Onsets(onsets.frames, np.ones(len(onsets)))
    return max(abs(_turns(even, quarter_frames, parts)) for parts in GRIDS)


def _refined(onsets: Onsets, quarter_frames: float) -> float:
    """Frames of a quarter by a line through the hits, where nearly all lie on the grid."""
    parts = max(GRIDS, key=lambda n: abs(_turns(onsets, quarter_frames, n)))
    if gathering(onsets, quarter_frames) < GOOD:
        return quarter_frames
    onsets = onsets.only(onsets.strengths >= LOUD_PART)
    best, first = quarter_frames, onsets.frames[0]
    for _ in range(3):
        places = np.round((onsets.frames - first) * parts / best) / parts
        good = np.abs((onsets.frames - first) / best - places) * parts <= 0.25
        if good.sum() < FEWEST or np.ptp(places[good]) == 0:
            return best
        best = float(np.polyfit(places[good], onsets.frames[good], 1)[0])
    return best


def cut_out(sound: Sound, found: FoundLoop) -> Sound:
    """The loop's own frames, shape (channels, n); silence where the file ends before it."""
    count = round(found.length_frames)
    part = sound[:, found.start_frame : found.start_frame + count]
    return np.pad(part, ((0, 0), (0, count - part.shape[1])))


def grid_errors_ms(frames: Sequence[float] | Values, grid: Values, rate: int) -> Values:
    """Distance of each frame from the nearest place of a grid, in ms, shape (n,)."""
    found: NDArray[np.float64] = np.asarray(frames, np.float64)
    right = np.clip(np.searchsorted(grid, found), 1, len(grid) - 1)
    left = right - 1
    nearest = np.where(found - grid[left] < grid[right] - found, grid[left], grid[right])
    return (found - nearest) * 1000 / rate
