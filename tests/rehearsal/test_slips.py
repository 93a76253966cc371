"""Bars left out or played again: named exactly where that can be known, as a range elsewhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from rehearsing import read, taken

from syncbox.rehearsal.chart import at_pace, chart_of
from syncbox.rehearsal.imagined import Manner, imagined_song, play
from syncbox.rehearsal.tables import as_json
from syncbox.rehearsal.wording import summary


def test_alike_are_bars_that_nothing_tells_apart() -> None:
    song = imagined_song(4, form=("Verse", "Chorus", "Verse", "Bridge"))
    played = play(song, Manner(sounds="mix", missing=1), 4)
    index = played.missing[0]
    could = played.could_be(index)
    assert index in could
    bars = played.chart.bars
    assert {bars[i].part for i in could} == {bars[index].part}
    looks = {played.looks[i] for i in could}
    comes_once = sum(s.name == bars[index].section for s in song.sections) == 1
    assert len(looks) == 1 or comes_once


def test_in_a_section_that_comes_once_it_may_have_been_any_bar() -> None:
    song = imagined_song(4, form=("Verse", "Chorus", "Verse", "Bridge"))
    played = play(song, Manner(), 4)
    bridge = [i for i, bar in enumerate(played.chart.bars) if bar.section == "Bridge"]
    played.missing, played.order = [bridge[1]], [i for i in played.order if i != bridge[1]]
    assert played.could_be(bridge[1]) == bridge


@pytest.mark.parametrize("seed", [4, 11, 12])
@pytest.mark.parametrize("how", ["missing", "doubled"])
def test_what_is_told_holds_the_bar_and_is_no_wider_than_needed(seed: int, how: str) -> None:
    played, found = read(seed=seed, sounds="mix", **{how: 1})
    index = (played.missing + played.doubled)[0]
    rows, others = found.missing_bars, found.extra_bars
    if how == "doubled":
        rows, others = others, rows
    assert (len(rows), len(others)) == (1, 0)
    could = [played.chart.bars[i].number for i in played.could_be(index)]
    number = played.chart.bars[index].number
    assert min(could) <= rows[0].from_bar <= number <= rows[0].to_bar <= max(could)


def test_tables_hold_numbers_and_ranges() -> None:
    _, found = read(seed=4, sounds="mix", missing=1)
    data = as_json(found)
    assert data["missing_bars"] == list(found.missing_bars[0].bars)
    assert data["extra_bars"] == []
    row = data["missing_ranges"][0]
    assert row["from_bar"] <= row["bars"][0] <= row["to_bar"]
    assert row["certain"] == (row["from_bar"] == row["to_bar"])


def test_words_say_how_sure_a_slip_is() -> None:
    _, found = read(seed=4, sounds="mix", missing=1)
    slip = found.missing_bars[0]
    certain = replace(slip, bars=(6,), from_bar=6, to_bar=6)
    alike = replace(slip, bars=(6,), from_bar=5, to_bar=7)
    lines = summary(replace(found, missing_bars=(certain, alike)))
    assert lines[0] == f"{slip.section}: bar 6 was left out"
    assert lines[1] == f"{slip.section}: one of bars 5 to 7 was left out (they sound alike)"


@pytest.mark.parametrize("sounds", ["drums", "mix"])
def test_nothing_is_claimed_of_a_clean_take(sounds: str) -> None:
    for seed in (4, 7):
        _, found = read(seed=seed, sounds=sounds)
        assert found.missing_bars == found.extra_bars == ()


@pytest.mark.parametrize("pace", [0.7, 1.4])
def test_far_from_the_map_is_followed_and_said(pace: float) -> None:
    played, found = read(seed=4, sounds="drums and bass", pace=pace)
    assert found.found
    assert "than the map" in found.notes[0]
    shares = [row.tempo_share for row in found.sections if row.tempo_share is not None]
    assert np.median(shares) == pytest.approx(pace - 1, abs=0.03)
    for row in found.sections:
        took = row.late_ms
        assert took is not None
        assert (took < 0) == (pace > 1)
    own = np.array([beat.played_s for beat in found.beats])
    errors = [np.abs(own - at).min() for at in np.concatenate(played.beats_s)]
    assert np.percentile(errors, 95) < 0.03


def test_a_chart_at_another_pace_keeps_its_bars() -> None:
    played, _, _ = taken()
    chart = chart_of(played.chart.song)
    faster = at_pace(chart, 1.25)
    for before, after in zip(chart.bars, faster.bars, strict=True):
        assert after.number == before.number
        assert after.tempo_qpm == pytest.approx(1.25 * before.tempo_qpm)
        assert np.allclose(np.array(after.beats_s) * 1.25, before.beats_s)
