"""Which words fall on which beats."""

from fractions import Fraction

import pytest
from building import item, section, song

from syncbox.schedule.words import (
    NO_SECTION,
    SAME_PASS,
    coming_section,
    said_in,
    section_word,
    tidy_word,
    words_of,
)
from syncbox.score.layout import LegKind, lay_out
from syncbox.score.meter import Meter
from syncbox.score.rig import Rig
from syncbox.score.song import Body, CountIn, Hold, MeterChange, Span

SPOKEN = Rig(spoken=True)


def said(written):
    """(leg kind, bar.beat of each word) of every leg that says something."""
    legs = lay_out(written).legs
    lines = []
    for index, leg in enumerate(legs):
        following = legs[index + 1] if index + 1 < len(legs) else None
        places = {tick: (bar.section_bar, beat + 1) for bar, beat, tick in leg.beats()}
        words = [
            (*places[word.tick], word.number or "name", word.last)
            for word in said_in(leg, coming_section(legs, index), following)
        ]
        lines.append((leg.kind, words))
    return lines


def test_the_last_word_falls_on_the_last_beat_before_the_section():
    legs = said(song(section("Verse", 4), section("Chorus", 2)))
    expected = [(4, 1, "name", True), (4, 2, 2, False), (4, 3, 3, False), (4, 4, 4, True)]
    assert legs[0] == (LegKind.SECTION, expected)


@pytest.mark.parametrize(
    ("meter", "numbers"),
    [
        (Meter.of(3, 4), ["name", 2, 3]),
        (Meter.of(6, 8), ["name", 2]),
        (Meter.of(7, 8, (2, 2, 3)), ["name", 2, 3]),
        (Meter.of(5, 4, (3, 2)), ["name", 2, 3, 4, 5]),
        (Meter.of(1, 4), ["name"]),
    ],
)
def test_beats_are_those_that_the_foot_taps(meter, numbers):
    first = said(song(section("Verse", 4), section("Chorus", 2), meter=meter))[0][1]
    if len(numbers) == meter.beat_count:
        assert [word[2] for word in first] == numbers
    assert first[-1][1] == meter.beat_count
    assert first[-1][3]


def test_the_bar_before_counts_in_its_own_meter():
    sections = (section("A", 4, item(MeterChange(Meter.of(3, 4)), 4)), section("B", 2))
    assert [word[2] for word in said(song(*sections))[0][1]] == ["name", 2, 3]


def test_a_count_in_is_counted_in_its_last_bar():
    (kind, words), *_ = said(song(section("A", 2), count_in=CountIn(bars=2)))
    assert kind is LegKind.COUNT_IN
    assert words == [
        (1, 1, "name", True),
        (2, 1, 1, False),
        (2, 2, 2, False),
        (2, 3, 3, False),
        (2, 4, 4, True),
    ]
    (_, words), *_ = said(song(section("A", 2), count_in=CountIn(bars=1)))
    assert [word[2] for word in words] == [1, 2, 3, 4]
    (_, words), *_ = said(song(section("A", 2), count_in=CountIn(beats=7)))
    assert [word[:3] for word in words] == [
        (1, 2, "name"), (2, 1, 1), (2, 2, 2), (2, 3, 3), (2, 4, 4)
    ]  # fmt: skip


def test_a_pickup_shortens_the_count():
    pickup = song(section("A", 2), count_in=CountIn(bars=1), pickup=Span(beats=Fraction(1)))
    (_, words), *_ = said(pickup)
    assert [word[2] for word in words] == [1, 2, 3]


def test_a_hold_before_the_section_keeps_the_name_and_counts_afterwards():
    hold = item(Hold(count_beats=2), 4, 4)
    first, held, count, _ = said(song(section("A", 4, hold), section("B", 2)))
    assert [word[2] for word in first[1]] == ["name"]
    assert held[1] == []
    assert [word[2] for word in count[1]] == [3, 4]


def test_a_hold_in_the_middle_announces_nothing():
    first, _, rest, _ = said(song(section("A", 4, item(Hold(), 2, 4)), section("B", 2)))
    assert first[1] == []
    assert [word[2] for word in rest[1]] == ["name", 2, 3, 4]


def test_what_comes_after_each_leg():
    written = song(section("A", 2, passes=2, endings=(Body(1), Body(1))), section("B", 1))
    legs = lay_out(written).legs
    assert [coming_section(legs, index) for index in range(len(legs))] == [0, 1, NO_SECTION]
    held = lay_out(song(section("A", 4, item(Hold(), 2, 4)), section("B", 2))).legs
    assert [coming_section(held, index) for index in range(4)] == [SAME_PASS, SAME_PASS, 1, -1]


def test_the_words_of_a_show():
    one = song(section("Verse 1", 2), section("Chorus", 2, spoken_name="The Big Chorus!"))
    two = song(section("Chorus", 2), section("Chorus", 2), meter=Meter.of(6, 8), spoken=False)
    assert words_of([one, two], SPOKEN) == (
        "one", "two", "three", "four", "verse 1", "the big chorus"
    )  # fmt: skip
    assert words_of([one, two], Rig()) == ()
    assert words_of([two], SPOKEN) == ()


@pytest.mark.parametrize(
    ("written", "word"),
    [("Verse-2", "verse 2"), ("  A  ", "a"), ("--v", "v"), ("Don't Stop", "don't stop"), ("!", "")],
)
def test_words_are_looked_up_in_small_letters(written, word):
    assert tidy_word(written) == word
    assert section_word(section(written, 1)) == word
