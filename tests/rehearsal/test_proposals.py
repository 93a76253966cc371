"""A map is changed only where that earns its keep, and only tempi change in the file."""

from fractions import Fraction

import pytest
from rehearsing import read

from syncbox.rehearsal.proposals import Change, propose, sensible
from syncbox.rehearsal.rewriting import rewritten

TEXT = """\
syncbox: 1
title: Test
tempo: quarter = 100   # argued about
sections:
  - section: Verse     # sing
    bars: 8
  - {section: Chorus, bars: 8}
  - section: Out
    tempo: 90          # slower
    bars: 4
"""


def test_a_take_on_the_map_changes_nothing():
    played, found = read(drift=0.0)
    offer = propose(played.chart.song, [found])
    assert offer.changes == ()


def test_a_section_that_runs_away_gets_its_tempo():
    played, found = read(drift=0.06, seed=6)
    song = played.chart.song
    offer = propose(song, [found])
    assert offer.changes
    assert offer.after < offer.before
    assert offer.bars == sum(bar.confidence > 0.7 for bar in found.bars if bar.bar > 0)
    shares = {s.section_index: s.tempo_share for s in found.sections}
    for change in offer.changes:
        if (
            change.section >= 0
            and change.ramp_to_qpm is None
            and abs(shares[change.section]) > 0.02
        ):
            wanted = float(song.tempo_qpm) * (1 + shares[change.section])
            assert float(change.to_qpm) == pytest.approx(wanted, rel=0.012)


def test_only_the_tempi_change_in_the_text():
    changes = [
        Change(-1, "the whole song", Fraction(100), Fraction(102)),
        Change(0, "Verse", Fraction(100), Fraction(99)),
        Change(1, "Chorus", Fraction(100), Fraction(105), Fraction(108)),
        Change(2, "Out", Fraction(90), Fraction(181, 2)),
    ]
    assert (
        rewritten(TEXT, changes)
        == """\
syncbox: 1
title: Test
tempo: quarter = 102   # argued about
sections:
  - section: Verse     # sing
    tempo: quarter = 99
    bars: 8
  - {section: Chorus, ramp: {to: quarter = 108, over: to the end}, tempo: quarter = 105, bars: 8}
  - section: Out
    tempo: quarter = 90.5          # slower
    bars: 4
"""
    )


@pytest.mark.parametrize(
    ("tempo", "written"), [(Fraction("119.9"), 120), (Fraction("60.4"), Fraction("60.5"))]
)
def test_tempi_are_written_as_people_write_them(tempo, written):
    assert sensible(tempo) == written
