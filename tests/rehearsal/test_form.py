"""How well bars fit a chart's form, on looks that are made up."""

from __future__ import annotations

import numpy as np
from building import section, song

from syncbox.rehearsal.chart import chart_of
from syncbox.rehearsal.form import UNTOLD_AGREE, Form, Heard, form_of
from syncbox.rehearsal.likeness import Likeness, distances, ties_of


def heard_as(names: str, played: str) -> Form:
    """The form of a chart with a section of four bars for each name, played in another order."""
    chart = chart_of(song(*(section(name, 4) for name in names)))
    rng = np.random.default_rng(7)
    looks = {name: rng.normal(0, 1, (4, 12, 8)) for name in sorted(set(names + played))}
    seen = np.concatenate([looks[name] for name in played])
    seen = seen + rng.normal(0, 0.05, seen.shape)
    music = np.array([i for i, bar in enumerate(chart.bars) if not bar.opening])[: len(seen)]
    ties = ties_of(chart.bars)
    far = distances(seen, np.zeros((len(seen), len(seen)), dtype=bool))
    alike = Likeness.of(seen, ties, music)
    return form_of(chart.bars, Heard(ties, music, alike.apart, far))


def test_the_right_song_agrees_everywhere() -> None:
    form = heard_as("ABABCB", "ABABCB")
    assert form.agree == 1.0
    assert form.worst == 1.0
    assert form.chance == 0.0
    assert form.places > 1.0


def test_sections_in_another_order_do_not_agree() -> None:
    form = heard_as("ABABCB", "ABBACA")
    assert form.worst == 0.0
    assert form.agree < 0.5
    assert form.chance > 0.2


def test_one_pass_that_is_another_section_is_found_among_many() -> None:
    form = heard_as("AAAAAB", "AAACAB")
    assert form.worst == 0.0
    assert form.agree > 0.5


def test_where_nothing_comes_twice_nothing_is_told() -> None:
    form = heard_as("ABC", "ABC")
    assert form.worst == UNTOLD_AGREE
    assert form.agree == UNTOLD_AGREE
