"""Two places of the form told apart, closer than by likeness alone.

Bars of a groove that goes round in two bars differ by a stroke or two: that is little against
a fill or another section, so likeness takes them for alike. But where other passes show both
places, what those differ by is known, and a bar must lie near one or the other. Where the bass
drum strikes, which notes hardly tell, counts too.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.likeness import Ties, distances, tied
from syncbox.rehearsal.onsets import Floats

Ints = NDArray[np.int64]

_DEEP_TRUST = 0.2  # in what is struck deep down, against a note that agrees as well
_PAIRS_MIN = 12  # of bars of one place, each counted twice, from which their spread is known
_SPREAD_MIN = 0.2  # of a logarithm: less is not believed
_CLEAR = 0.8  # standard errors by which two places must differ to be told apart at all
_MOST = 4.0  # nats that one bar can say
_KNOWN = 2  # pairs of one place that the middle of all of them stands for


class Telling:
    """What the bars of an order say for it, against the same order with a run of bars moved."""

    def __init__(self, looks: Floats, deep: Floats | None, ties: Ties, order: Ints) -> None:
        """deep: of `likeness.deep_of`, with as many parts as the looks; None: they hold it."""
        same, trust = tied(ties.place, order), np.ones(looks.shape[1])
        if deep is not None:
            looks = np.concatenate([looks, deep], axis=1)
            trust = np.append(trust, [_DEEP_TRUST] * deep.shape[1])
        self.order, self.place = order, ties.place
        self.far = np.log(distances(looks, same, trust) + 1e-9)
        known = self.far[same]
        self.silent = len(known) < _PAIRS_MIN
        self.near = 0.0 if self.silent else float(np.median(known))
        spread = 0.0 if self.silent else 1.48 * float(np.median(np.abs(known - self.near)))
        self.spread = max(_SPREAD_MIN, spread)

    def says(self, moved: Ints) -> float:
        """How much speaks for the order and against the moved one, nats; 0: no telling."""
        run = self.order != moved
        if self.silent:
            return 0.0
        here, places = self.place[self.order], self.place[moved]
        told = [
            self._one(int(n), (here == here[n]) & ~run, (here == places[n]) & ~run)
            for n in np.flatnonzero(run)
        ]
        return float(sum(told))

    def _one(self, bar: int, own: NDArray[np.bool_], other: NDArray[np.bool_]) -> float:
        """What one bar says: the log likelihood ratio of two normal distributions.

        own, other: the bars known to be of the one place and of the other.
        """
        counts = int(own.sum()), int(other.sum())
        if not min(counts):
            return 0.0
        within = [
            self.far[np.ix_(kind, kind)][np.triu_indices(n, 1)]
            for kind, n in ((own, counts[0]), (other, counts[1]))
        ]
        pairs = _KNOWN + sum(len(each) for each in within)
        usual = (_KNOWN * self.near + sum(float(each.sum()) for each in within)) / pairs
        differ = float(self.far[np.ix_(own, other)].mean()) - usual
        error = self.spread * np.sqrt(1 / (counts[0] * counts[1]) + 1 / pairs)
        if differ < _CLEAR * error:
            return 0.0
        nearer = float(self.far[bar, other].mean() - self.far[bar, own].mean())
        told = 2 * differ * nearer / (self.spread**2 * (1 / counts[0] + 1 / counts[1]))
        return float(np.clip(told, -_MOST, _MOST))
