"""How well captured events agree with the grid they should lie on.

Everything here takes plain arrays of frame numbers and gives plain numbers; it
knows nothing of devices. An error is captured minus ideal: positive is late.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Frames = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Matching:
    """Which captured event belongs to which ideal one.

    `ideal` and `captured` are indices of the pairs, shape (k,), both ascending;
    `lost` are indices of ideal events without a partner, `doubled` of captured ones.
    """

    ideal: Frames
    captured: Frames
    errors: Frames  # frames, shape (k,)
    lost: Frames
    doubled: Frames


def match(ideal: Frames, captured: Frames, *, window_frames: int) -> Matching:
    """Pair events in order, so that the sum of absolute errors is least.

    ideal: shape (n,), captured: shape (m,); frames, ascending. Leaving an event
    alone costs `window_frames`, so a pair is never further apart than twice that;
    when either is empty, everything in the other is lost or doubled.

    A chain of pairs that rises on both sides is grown from left to right; each ideal
    event looks only at captured ones within reach, so the work grows with the number
    of events and not with its square.
    """
    assert window_frames > 0, window_frames
    reach = 2 * window_frames
    heard = captured.tolist()
    chains = _Chains(len(heard))
    for row, wanted in enumerate(ideal.tolist()):
        first = bisect_left(heard, wanted - reach)
        last = bisect_right(heard, wanted + reach)
        chains.add_row(row, first, [reach - abs(at - wanted) for at in heard[first:last]])
    pairs = np.array(chains.best(), dtype=np.int64).reshape(-1, 2)
    rows, columns = pairs[:, 0], pairs[:, 1]
    return Matching(
        ideal=rows,
        captured=columns,
        errors=captured[columns] - ideal[rows],
        lost=np.setdiff1d(np.arange(len(ideal)), rows),
        doubled=np.setdiff1d(np.arange(len(captured)), columns),
    )


class _Chains:
    """The best chain of pairs that ends at each captured event, row by row of ideal ones."""

    def __init__(self, captured_count: int) -> None:
        self._gain = [0] * captured_count  # of the best chain that ends here; 0: none does
        self._end: list[int] = [-1] * captured_count  # its last link
        self._links: list[tuple[int, int, int]] = []  # row, column, link before
        self._settled = 0  # captured events before this column cannot be met again
        self._settled_gain = 0
        self._settled_end = -1

    def add_row(self, row: int, first: int, gains: list[int]) -> None:
        """An ideal event that may go with the captured ones from `first` on, for these gains."""
        while self._settled < first:
            self._settle(self._settled)
            self._settled += 1
        best, end = self._settled_gain, self._settled_end
        for column, gain in enumerate(gains, first):
            before_gain, before_end = self._gain[column], self._end[column]
            if best + gain > before_gain:
                self._gain[column] = best + gain
                self._end[column] = len(self._links)
                self._links.append((row, column, end))
            if before_gain > best:
                best, end = before_gain, before_end

    def _settle(self, column: int) -> None:
        if self._gain[column] > self._settled_gain:
            self._settled_gain, self._settled_end = self._gain[column], self._end[column]

    def best(self) -> list[tuple[int, int]]:
        """The pairs of the best chain of all, in order."""
        for column in range(self._settled, len(self._gain)):
            self._settle(column)
        pairs, link = [], self._settled_end
        while link >= 0:
            row, column, link = self._links[link]
            pairs.append((row, column))
        return pairs[::-1]


@dataclass(frozen=True, slots=True)
class Spread:
    """Absolute errors: half of them are at most `p50`, 99 % at most `p99`. None: no events."""

    p50: float | None
    p99: float | None
    max: float | None


def spread(errors: NDArray[np.int64] | NDArray[np.float64]) -> Spread:
    """Spread of absolute errors, any shape; values that occurred, not means of neighbours."""
    if errors.size == 0:
        return Spread(None, None, None)
    size = np.abs(errors)
    p50, p99 = np.quantile(size, [0.5, 0.99], method="inverted_cdf")
    return Spread(p50.item(), p99.item(), size.max().item())


def drift_ppm(ideal: Frames, errors: Frames) -> float | None:
    """How much faster the captured time runs away from the ideal one, in parts per million.

    ideal, errors: shape (k,), frames. Positive: events come later and later. None for
    fewer than two events or when all are at one frame.

    The slope is the median over pairs that lie half the recording apart, a cheap
    form of the estimator of Theil and Sen (P. K. Sen, J. Am. Stat. Assoc. 63, 1968;
    from memory): a few wild events do not bend it.
    """
    half = len(ideal) // 2
    if half == 0:
        return None
    span = (ideal[-half:] - ideal[:half]).astype(np.float64)
    rise = (errors[-half:] - errors[:half]).astype(np.float64)
    kept = span > 0
    if not kept.any():
        return None
    return float(np.median(rise[kept] / span[kept]) * 1e6)


def outside(frames: Frames, spans: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which frames, shape (n,), lie in none of the spans, shape (s, 2): first to last + 1."""
    keep = np.ones(len(frames), dtype=np.bool_)
    for first, end in spans.tolist():
        keep &= (frames < first) | (frames >= end)
    return keep
