"""How well an order of bars fits the chart's form: what tells a song from another one.

Songs go by fours, so in any other song too bars four apart are alike. But not less so
where the sections differ; and another song's sections come in another order, so that two
passes of what should be one section sound nothing alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import ChartBar
from syncbox.rehearsal.likeness import Ties
from syncbox.rehearsal.onsets import Floats

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

UNTOLD = 0.6  # likeness where there is nothing to compare
UNTOLD_AGREE, UNTOLD_CHANCE = 0.8, 0.2
_SAME = 2.0  # times as far apart as the nearest bars usually are, still sounds the same
_ENOUGH_BARS = 3  # of two passes that are compared
_ENOUGH = 12  # pairs, each counted twice, whose likeness is told


@dataclass(frozen=True, slots=True)
class Heard:
    """What an order is judged by.

    ties: of the chart bars; order: chart place of each observed bar; apart: how near each two
    observed bars sound, (observed, observed); far: how far apart they are, whatever the chart
    says.
    """

    ties: Ties
    order: Ints
    apart: Floats
    far: Floats


@dataclass(frozen=True, slots=True)
class Form:
    """How much nearer bars sound that the chart says are alike, in spreads of all pairs."""

    places: float = UNTOLD  # bars of one place against bars of other sections
    sections: float = UNTOLD  # other bars of one section against the same
    in_step: float = UNTOLD  # bars of one place against bars of other sections in step
    agree: float = UNTOLD_AGREE  # share of bars of one place that sound the same
    chance: float = UNTOLD_CHANCE  # the same of bars of other sections in step
    worst: float = UNTOLD_AGREE  # the same as agree, of the two passes that agree least


def form_of(bars: Sequence[ChartBar], heard: Heard) -> Form:
    """The form of an order of chart places."""
    order, apart = heard.order, heard.apart
    inner = ~np.eye(len(order), dtype=bool)
    places, sections = heard.ties.place[order], heard.ties.section[order]
    place = (places[:, None] == places) & inner
    section = (sections[:, None] == sections) & inner & ~place
    others = inner & ~section & ~place
    step = np.array([bar.section_bar % 4 for bar in bars])[order]

    def nearer(kind: Bools, than: Bools) -> float:
        if min(kind.sum(), than.sum()) < _ENOUGH:
            return UNTOLD
        return float(apart[kind].mean() - apart[than].mean())

    nearest = float(np.median(np.where(inner, heard.far, np.inf).min(axis=1)))
    alike = heard.far < _SAME * nearest

    def share(kind: Bools, untold: float) -> float:
        return float(alike[kind].mean()) if kind.sum() >= _ENOUGH else untold

    return Form(
        nearer(place, others),
        nearer(section, others),
        nearer(place, others & (step[:, None] == step)),
        share(place, UNTOLD_AGREE),
        share(others & (step[:, None] == step), UNTOLD_CHANCE),
        _worst([bars[index].part for index in order], place, alike),
    )


def _worst(passes: Sequence[tuple[int, int, int]], place: Bools, alike: Bools) -> float:
    """The least share of bars that sound the same in any two passes of one section."""
    names = {name: n for n, name in enumerate(dict.fromkeys(passes))}
    number = np.array([names[each] for each in passes])
    shares = []
    for one in range(len(names)):
        for other in range(one):
            both = place & (number[:, None] == one) & (number == other)
            if both.sum() >= _ENOUGH_BARS:
                shares.append(float(alike[both].mean()))
    return min(shares, default=UNTOLD_AGREE)
