"""How well an order of bars fits the chart's form: what tells a song from another one.

Songs go by fours, so in any other song too bars four apart are alike. But not less so
where the sections differ, nor if the form began a few bars sooner or later.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncbox.rehearsal.chart import ChartBar
from syncbox.rehearsal.likeness import Ties
from syncbox.rehearsal.onsets import Floats

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

UNTOLD = 0.6  # likeness where there is nothing to compare
UNTOLD_MARGIN = 1.5
_ENOUGH = 12  # pairs, each counted twice, whose likeness is told


@dataclass(frozen=True, slots=True)
class Heard:
    """What an order is judged by.

    ties, opens: of the chart bars, opens where one begins a section; order: chart place of
    each observed bar; apart: how near each two observed bars sound, (observed, observed);
    lines: change of sound at each observed bar line.
    """

    ties: Ties
    opens: Bools
    order: Ints
    apart: Floats
    lines: Floats


@dataclass(frozen=True, slots=True)
class Form:
    """How much nearer bars sound that the chart says are alike, in spreads of all pairs."""

    places: float = UNTOLD  # bars of one place against bars of other sections
    sections: float = UNTOLD  # other bars of one section against the same
    in_step: float = UNTOLD  # bars of one place against bars of other sections in step
    place_margin: float = UNTOLD_MARGIN  # places, against the form begun elsewhere, in spreads
    section_margin: float = UNTOLD_MARGIN  # the same of sections
    line_margin: float = UNTOLD_MARGIN  # the same of the change of sound at section lines


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

    def margin(names: Ints) -> float:
        def fit(turn: int) -> float:
            turned = np.roll(names, turn)
            return float(apart[(turned[:, None] == turned) & inner].mean())

        few = min(place.sum(), others.sum()) < _ENOUGH
        return UNTOLD_MARGIN if few else _margin(fit, len(order))

    opened = heard.opens[order] & (np.arange(len(order)) > 0)
    line_margin = UNTOLD_MARGIN
    if opened.any():
        line_margin = _margin(lambda n: float(heard.lines[np.roll(opened, n)].mean()), len(order))
    return Form(
        nearer(place, others),
        nearer(section, others),
        nearer(place, others & (step[:, None] == step)),
        margin(places),
        margin(sections),
        line_margin,
    )


def _margin(fit: Callable[[int], float], count: int) -> float:
    """How far a fit stands out from that of the same form turned by every number of bars."""
    own, others = fit(0), np.array([fit(turn) for turn in range(1, count)])
    return float(np.clip((own - others.mean()) / (others.std() + 1e-9), -2.0, 6.0))
