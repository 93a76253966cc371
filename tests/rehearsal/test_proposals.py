"""A map is changed only where that earns its keep, and only tempi change in the file."""

from fractions import Fraction

import pytest
from rehearsing import read

from syncbox.errors import ShowError
from syncbox.rehearsal.proposals import (
    SONG,
    Change,
    Proposal,
    Unit,
    _as_written,
    _changes,
    propose,
    sensible,
    sentences,
)
from syncbox.rehearsal.rewriting import rewritten, units_of
from syncbox.score.reading.song import read_song
from syncbox.score.rig import TempoTrim

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


def changed(section_text, change=None, *, newline="\n"):
    text = f"syncbox: 1\ntitle: T\ntempo: quarter = 100\nsections:\n{section_text}\n"
    text = text.replace("\n", newline)
    change = change or Change(0, "Verse", Fraction(100), Fraction(99))
    return text, rewritten(text, [change])


@pytest.mark.parametrize(
    "section",
    [
        "  - section: Verse   # ours: {not, a, list}\n    bars: 8",
        "  - {section: Verse, bars: 8}   # short",
        "  - {\n      section: Verse,   # over lines\n      bars: 8}",
        "  [{section: Verse,\n    bars: 8}, {section: Out, bars: 2}]",
        "  - notes: |\n      sing\n      louder\n    section: Verse\n    bars: 8",
        "  - play: {loop: a.wav, as: pulse, every: 2 bars}\n    section: Verse\n    bars: 8",
        "  -   section: 'Verse, last'\n      bars: 8",
        '  - "section": "Verse"\n    "bars": 8',
        "# the first\n\n  - # of two\n    section: Verse\n    bars: 8",
    ],
)
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_a_tempo_finds_its_place_in_any_style(section, newline):
    text, after = changed(section, newline=newline)
    song = read_song(after, "x.yaml", [])
    assert song.sections[0].body.items[0].what.tempo_qpm == 99
    assert len(song.sections) == len(read_song(text, "x.yaml", []).sections)
    assert after.count("\r") in (0, after.count("\n")), "line ends stay of one kind"
    kept = iter(after)
    assert all(letter in kept for letter in text), "what was there stays, in its order"


def test_a_section_that_is_another_one_is_not_changed_with_it():
    with pytest.raises(ShowError, match="no place for a tempo"):
        changed("  - &verse {section: Verse, bars: 8}\n  - *verse")


def test_a_tempo_written_in_another_way_is_left_to_the_person():
    with pytest.raises(ShowError, match="nothing was written"):
        changed(
            "  - section: Verse\n    bars: 8\n    during:\n      - {bar: 1, tempo: quarter = 90}"
        )


def test_a_tempo_is_written_in_the_note_that_the_song_counts():
    text = (
        "syncbox: 1\ntitle: T\ntempo: eighth = 180\nmeter: 7/8 in 2+2+3\nsections:\n"
        "  - {section: Verse, bars: 8}\n"
        "  - {section: Turn, bars: 8, meter: 6/8, tempo: ♩. = 80}\n  - {section: Out, bars: 2}\n"
    )
    units = units_of(text)
    assert units[SONG] == units[0] == units[2] == Unit("eighth", Fraction(1, 2))
    assert units[1] == Unit("♩.", Fraction(3, 2))
    offer, _ = _changes(read_song(text, "x", []), {1: (1, 0.0488, 0.0)}, 0.0, units, {})
    assert [change.unit.tempo(change.to_qpm) for change in offer] == ["♩. = 84", "eighth = 240"]
    after = rewritten(text, offer)
    assert "tempo: ♩. = 84" in after
    assert sentences(Proposal(tuple(offer), 0.0, -9.0, 20))[:2] == [
        "Turn: ♩. = 80 becomes 84",
        "Out: stays at eighth = 240, which is written there",
    ]


RAMPED = """\
syncbox: 1
title: T
tempo: quarter = 100
sections:
  - {section: Verse, bars: 8}
  - {section: Build, bars: 4, ramp: {to: quarter = 120, over: to the end}}
  - {section: Chorus, bars: 8}
  - {section: Out, bars: 4, tempo: quarter = 90}
"""


@pytest.mark.parametrize("begins", [{}, {1: 0.002}, {1: -0.03}])
def test_a_ramp_keeps_its_begin_when_the_section_before_it_changes(begins):
    song = read_song(RAMPED, "x", [])
    fits = {0: (1, 0.03, 0.0), 3: (1, -0.1, 0.0)}
    offer, following = _changes(song, fits, 0.0, {}, begins)
    assert not following
    assert [(c.section, float(c.to_qpm)) for c in offer] == [(0, 103.0), (1, 100.0), (3, 81.5)]
    after = read_song(rewritten(RAMPED, offer), "x", [])
    build = [item.what for item in after.sections[1].body.items]
    assert build[0].tempo_qpm == 100
    assert build[1].to_qpm == 120


def test_a_ramp_that_was_played_from_the_new_tempo_begins_there():
    song = read_song(RAMPED, "x", [])
    offer, following = _changes(song, {0: (1, 0.03, 0.0)}, 0.0, {}, {1: 0.027})
    assert [(c.section, float(c.to_qpm)) for c in offer] == [(0, 103.0)]
    assert following == ["Build"]
    told = sentences(Proposal(tuple(offer), 0.0, -9.0, 20, following=("Build",)))
    assert told[1] == "Build: goes on from the new tempo before it, as it was played"


@pytest.mark.parametrize(
    ("trim", "written"),
    [(TempoTrim(add_qpm=Fraction(-2)), 106), (TempoTrim(factor=Fraction(4, 5)), 130)],
)
def test_the_trim_of_a_night_is_not_written_into_the_song(trim, written):
    """Tonight's 104 is what is wanted: with the trim still in the set list it must come out."""
    old = Fraction(100)
    change = _as_written(Change(SONG, "the whole song", old, Fraction(104)), trim)
    assert change.to_qpm == written
    assert change.to_qpm * trim.factor + trim.add_qpm == 104
    assert change.from_qpm * trim.factor + trim.add_qpm == 100
