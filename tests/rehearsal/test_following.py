"""The map is followed through imagined takes whose truth is known."""

import numpy as np
import pytest
from rehearsing import read, taken

from syncbox.rehearsal.chart import chart_of
from syncbox.rehearsal.following import follow
from syncbox.rehearsal.onsets import STEP_S, onsets_of_times
from syncbox.rehearsal.walk import Course


def errors_ms(played, found):
    own = np.array([beat.played_s for beat in found.beats])
    truth = np.concatenate(played.beats_s)
    return 1000 * np.array([np.abs(own - beat).min() for beat in truth])


@pytest.mark.parametrize("sounds", ["drums", "drums and bass", "mix", "brushes"])
def test_beats_are_found_to_a_few_milliseconds(sounds):
    played, found = read(sounds=sounds)
    assert found.found
    errors = errors_ms(played, found)
    assert np.median(errors) < 5
    assert np.percentile(errors, 95) < 20


@pytest.mark.parametrize("kind", ["odd", "ramp", "held"])
def test_every_kind_of_map_is_followed(kind):
    played, found = read(kind)
    assert np.percentile(errors_ms(played, found), 90) < 20
    assert [bar.bar for bar in found.bars] == [played.chart.bars[i].number for i in played.order]


def test_tempo_is_told_for_each_section():
    played, found = read(drift=0.05)
    first_bars = {}
    for index in played.order:
        bar = played.chart.bars[index]
        first_bars.setdefault(bar.number, bar.section_index)
    assert len(found.sections) == 5
    for row in found.sections:
        truth = played.section_ratio(first_bars[row.first_bar])
        assert row.tempo_share == pytest.approx(truth - 1, abs=0.003)


@pytest.mark.parametrize("seed", [5, 6, 8])
def test_a_missing_bar_is_named(seed):
    played, found = read(seed=seed, sounds="drums and bass", missing=1)
    number = played.chart.bars[played.missing[0]].number
    assert len(found.missing_bars) == 1
    assert found.missing_bars[0].from_bar <= number <= found.missing_bars[0].to_bar
    assert not found.extra_bars


def test_times_that_were_told_are_followed_exactly():
    played, _, _ = taken()
    truth = np.sort(np.concatenate(played.beats_s))
    onsets = onsets_of_times(truth)
    course = follow(played.chart, onsets)
    starts = np.array([p.start_s for p in course.placed])
    assert np.abs(starts[:, None] - truth[None]).min(axis=1).max() < 3 * STEP_S


def test_nothing_to_follow_gives_an_empty_course():
    played, _, _ = taken()
    nothing = onsets_of_times(np.empty(0))
    assert follow(chart_of(played.chart.song), nothing) == Course((), 0.0)
