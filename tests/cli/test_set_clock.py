from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from building import section, show_of, song

from syncbox.cli.set_clock import TALK_SECONDS, SetClock, clock
from syncbox.score.rig import SetEntry, SetList, Then
from syncbox.score.song import CountIn

MINUTE = section("A", 30)  # of 4/4 at 120


def a_set(slot: int | None, *, then: Then = Then.WAIT) -> SetClock:
    entries = (SetEntry("song-0", then=then, gap_seconds=Fraction(5)), SetEntry("song-1"))
    show = show_of(song(MINUTE, count_in=CountIn(bars=1)), song(MINUTE), entries=entries)
    return SetClock(
        replace(show, set_list=SetList("x", entries, None if slot is None else Fraction(slot)))
    )


@pytest.mark.parametrize(
    ("then", "between"), [(Then.WAIT, TALK_SECONDS), (Then.GAP, 5), (Then.SEGUE, 0)]
)
def test_what_is_left_counts_what_lies_between_songs(then: Then, between: int) -> None:
    assert a_set(300, then=then).remaining_s(0, 0) == 2 + 60 + between + 60
    assert a_set(300, then=then).remaining_s(1, 0) == 60


def test_the_overrun_is_said_as_soon_as_it_can_be_known() -> None:
    set_clock = a_set(130, then=Then.GAP)
    assert set_clock.read(0, 0, 0.0) == ("0:00 of 2:10", "")
    assert set_clock.read(1, 0, 100.0) == ("1:40 of 2:10", "0:30 over")


def test_without_a_slot_there_is_nothing_to_say() -> None:
    assert a_set(None).read(0, 0, 10.0) == ("", "")


def test_hours_are_shown_when_there_are_any() -> None:
    assert (clock(725), clock(3725.9)) == ("12:05", "1:02:05")
