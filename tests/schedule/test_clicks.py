from __future__ import annotations

from fractions import Fraction

import pytest
from building import item, section, song

from syncbox.schedule.clicks import leg_clicks
from syncbox.score.layout import lay_out
from syncbox.score.meter import COMMON_TIME, Meter
from syncbox.score.song import Click, ClickBeats, CountIn
from syncbox.units import TICKS_PER_QUARTER

EIGHTH = TICKS_PER_QUARTER // 2


def clicks(click: Click, meter: Meter = COMMON_TIME) -> list[tuple[str, str]]:
    """Place in eighths and voice of every click in one bar."""
    leg = lay_out(song(section("A", 1), meter=meter, click=click)).legs[0]
    return [(str(Fraction(tick, EIGHTH)), voice) for tick, voice in leg_clicks(leg)]


def places(click: Click, meter: Meter = COMMON_TIME) -> str:
    return " ".join(place for place, _ in clicks(click, meter))


@pytest.mark.parametrize(
    ("beats", "expected"),
    [
        (ClickBeats.BEATS, "0 2 4 6"),
        (ClickBeats.HALF_TIME, "0 4"),
        (ClickBeats.DOUBLE_TIME, "0 1 2 3 4 5 6 7"),
        (ClickBeats.DOWNBEATS, "0"),
        (ClickBeats.OFF, ""),
    ],
)
def test_patterns(beats: ClickBeats, expected: str) -> None:
    assert places(Click(beats)) == expected


def test_chosen_beats_and_their_voices() -> None:
    assert clicks(Click(ClickBeats.CHOSEN, chosen=(1, 4))) == [("0", "accent"), ("6", "beat")]


def test_grouped_meters_click_their_groups_and_divide_into_eighths() -> None:
    seven = Meter.of(7, 8, (2, 2, 3))
    assert places(Click(), seven) == "0 2 4"
    divided = Click(subdivision_quarters=Fraction(1, 2))
    assert places(divided, seven) == "0 1 2 3 4 5 6"
    assert [voice for _, voice in clicks(divided, seven)][:2] == ["accent", "subdivision"]


@pytest.mark.parametrize(
    ("swing", "second"), [(Fraction(1, 2), "1"), (Fraction(2, 3), "4/3"), (Fraction(3, 4), "3/2")]
)
def test_swing_moves_every_second_division(swing: Fraction, second: str) -> None:
    swung = Click(subdivision_quarters=Fraction(1, 2), swing=swing)
    assert places(swung).split()[1] == second


def test_swung_sixteenths_stay_inside_their_pairs() -> None:
    swung = Click(subdivision_quarters=Fraction(1, 4), swing=Fraction(2, 3))
    assert places(swung).split()[:4] == ["0", "2/3", "1", "5/3"]


def test_triplets_divide_a_beat_in_three() -> None:
    assert places(Click(subdivision_quarters=Fraction(1, 3))).split()[:4] == [
        "0",
        "2/3",
        "4/3",
        "2",
    ]


def test_a_section_goes_back_to_the_songs_click_and_may_change_inside() -> None:
    off = item(Click(ClickBeats.OFF), bar=2)
    legs = lay_out(song(section("A", 3, off), section("B", 1))).legs
    assert [len(list(leg_clicks(leg))) for leg in legs] == [4, 4]


def test_the_count_in_has_voices_of_its_own() -> None:
    leg = lay_out(song(section("A", 1), count_in=CountIn(bars=1))).legs[0]
    assert [voice for _, voice in leg_clicks(leg)] == ["count-in accent"] + ["count-in beat"] * 3
