from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace

import pytest
from building import section, show_of, song

from syncbox.drivers.set_clock import TALK_SECONDS, SetClock, Spot, clock
from syncbox.engine.state import Now
from syncbox.engine.tapping import Said
from syncbox.engine.transport import State
from syncbox.schedule.program import Entry
from syncbox.score.rig import SetEntry, SetList, Then
from syncbox.score.song import CountIn

MINUTE = section("A", 30)  # of 4/4 at 120
VAMP = replace(section("V", 2), vamp_usual=3)  # rounds of 4 s
RATE = 1000


def a_set(slot: int | None = 300, *, then: Then = Then.WAIT, first=(MINUTE,)) -> SetClock:
    entries = (SetEntry("song-0", then=then, gap_seconds=Fraction(5)), SetEntry("song-1"))
    counted = CountIn(bars=1)
    show = show_of(song(*first, count_in=counted), song(MINUTE, count_in=counted), entries=entries)
    slot_list = SetList("x", entries, None if slot is None else Fraction(slot))
    songs = [SimpleNamespace(entry=Entry())] * 2
    return SetClock(replace(show, set_list=slot_list), songs)


@pytest.mark.parametrize(
    ("then", "between"), [(Then.WAIT, TALK_SECONDS + 2), (Then.GAP, 5 + 2), (Then.SEGUE, 0)]
)
def test_what_is_left_counts_what_lies_between_songs(then: Then, between: int) -> None:
    """A song that is waited for is counted in; after a segue its first bar comes at once."""
    assert a_set(then=then).remaining_s(Spot(0, 0)) == pytest.approx(2 + 60 + between + 60)
    assert a_set(then=then).remaining_s(Spot(1, 0)) == pytest.approx(2 + 60)


def test_what_is_left_is_counted_from_the_beat_that_sounds() -> None:
    assert a_set().remaining_s(Spot(1, 1, bar=2, beat=3, since_beat_s=0.25)) == pytest.approx(
        60 - 2 - 1 - 0.25
    )


def test_another_tempo_counts_for_the_music_and_not_for_the_pause() -> None:
    spot = Spot(0, 1, bar=1, beat=1, speed=2.0, later_speed=0.5)
    assert a_set().remaining_s(spot) == pytest.approx(30 + TALK_SECONDS + 2 * 62)


@pytest.mark.parametrize(
    ("round_no", "goes_on", "rounds"), [(1, False, 3), (3, False, 1), (7, False, 1), (1, True, 1)]
)
def test_a_vamp_is_reckoned_with_its_usual_rounds(round_no, goes_on, rounds) -> None:
    found = a_set(first=(VAMP, MINUTE), then=Then.SEGUE).remaining_s(
        Spot(0, 1, round_no, goes_on, bar=1, beat=1)
    )
    assert found == pytest.approx(4 * rounds + 60 + 60)


def test_the_overrun_is_said_as_soon_as_it_can_be_known() -> None:
    set_clock = a_set(130, then=Then.GAP)
    assert set_clock.read(Spot(0, 0), 0.0) == ("0:00 of 2:10", "")
    assert set_clock.read(Spot(1, 1, bar=1, beat=1), 100.0) == ("1:40 of 2:10", "0:30 over")


def test_without_a_slot_there_is_nothing_to_say() -> None:
    assert a_set(None).read(Spot(0, 0), 10.0) == ("", "")


def test_hours_are_shown_when_there_are_any() -> None:
    assert (clock(725), clock(3725.9)) == ("12:05", "1:02:05")


def test_where_the_engine_is_by_what_it_tells() -> None:
    now = Now(
        transport=int(State.ROLLING), song_index=1, leg_index=1, bar=3, beat=2, beat_frame=5000
    )
    spot = a_set().spot(now, 5250, RATE)
    assert (spot.song_index, spot.leg_index, spot.bar, spot.beat) == (1, 1, 3, 2)
    assert spot.since_beat_s == 0.25


def test_what_stands_begins_at_its_top() -> None:
    now = Now(transport=int(State.WAITING), song_index=1, leg_index=1, bar=3, beat=2)
    assert a_set().remaining_s(a_set().spot(now, 0, RATE)) == pytest.approx(62)


def test_a_start_a_moment_ago_begins_at_the_top_too() -> None:
    now = Now(transport=int(State.COUNTING_IN), song_index=1, leg_index=1, bar=3, beat=2)
    assert a_set().remaining_s(a_set().spot(now, 0, RATE)) == pytest.approx(62)


def test_after_the_set_nothing_is_left_until_a_song_is_chosen() -> None:
    now = Now(transport=int(State.STOPPED), song_index=1, leg_index=1, bar=30, sets_over=1)
    assert a_set().remaining_s(a_set().spot(now, 0, RATE)) == 0
    now.forget_place()
    assert a_set().remaining_s(a_set().spot(now, 0, RATE)) == pytest.approx(62)


def test_a_tempo_by_hand_lasts_and_a_counted_one_is_for_its_song() -> None:
    now = Now(transport=int(State.STOPPED), trim_permille=-500)
    assert a_set().spot(now, 0, RATE).later_speed == 0.5
    now.count_said = int(Said.STARTED)
    spot = a_set().spot(now, 0, RATE)
    assert (spot.speed, spot.later_speed) == (0.5, 1.0)


def test_a_leader_leads_this_song() -> None:
    now = Now(transport=int(State.ROLLING), leader_leads=1, leader_mqpm=90_000, tempo_mqpm=120_000)
    spot = a_set().spot(now, 0, RATE)
    assert (spot.speed, spot.later_speed) == (0.75, 1.0)
