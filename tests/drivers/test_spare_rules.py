"""Who plays, of two computers: every row of the table, and any network at all."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.drivers.spare_rules import (
    DEAF_NS,
    FRESH_NS,
    PATIENCE_NS,
    RIVAL_NS,
    Heard,
    Misfit,
    Own,
    Refusal,
    Situation,
    Spare,
    first_hears,
    first_is_alive,
    heard_of_spare,
    situation_of,
    spare_gives_back,
    spare_goes_along,
    spare_hears,
    spare_takes_over,
    spare_waits,
)
from syncbox.drivers.spare_words import Word

MS = 1_000_000
OWN = Own(run=1, show=7, sounds=8, rate=48_000, place_version=1)
BY_HAND = replace(OWN, by_itself=False)
FIRST = Word(run=5, number=1, show=7, sounds=8, rate=48_000, place_version=1, playing=1, age_ns=MS)


def heard(*words: Word, at_ns: int = 0, along: bool = True) -> Spare:
    spare = Spare()
    for word in words or (FIRST,):
        spare = spare_hears(spare, word, at_ns, OWN)
    return spare_goes_along(spare) if along else spare


def said(spare: Spare, now_ns: int, own: Own = OWN, *, still: bool = False) -> Situation:
    return situation_of(spare, now_ns, own, still=still)


# --- the spare --------------------------------------------------------------------------------


def test_a_person_takes_over_at_any_time() -> None:
    for spare in (Spare(), heard(), heard(along=False)):
        taken = spare_takes_over(spare, 10 * MS, OWN)
        assert isinstance(taken, Spare)
        assert taken.playing
        assert not taken.by_itself


def test_nobody_takes_over_beside_another_show_that_is_alive() -> None:
    spare = heard(replace(FIRST, show=9), along=False)
    assert spare_takes_over(spare, 100 * MS, OWN) is Refusal.OTHER_SHOW
    assert said(spare, 100 * MS) is Situation.MISFIT
    late = spare_takes_over(spare, 5000 * MS, OWN)
    assert isinstance(late, Spare)
    assert late.playing


def test_it_takes_over_by_itself_after_its_patience_and_not_before() -> None:
    spare = heard()
    assert not spare_waits(spare, PATIENCE_NS, OWN).playing
    assert said(spare, PATIENCE_NS) is Situation.QUIET
    alone = spare_waits(spare, PATIENCE_NS + 1, OWN)
    assert alone.playing
    assert alone.by_itself
    assert said(alone, PATIENCE_NS + 1) is Situation.PLAYING


@pytest.mark.parametrize(
    ("spare", "own", "situation"),
    [
        (Spare(), OWN, Situation.NOTHING_HEARD),
        (heard(along=False), OWN, Situation.SILENT_ALONE),
        (heard(), BY_HAND, Situation.SILENT_ALONE),
        (heard(replace(FIRST, leaves=1)), OWN, Situation.LEFT),
        (heard(replace(FIRST, show=9)), OWN, Situation.MISFIT),
        (heard(replace(FIRST, rate=44_100)), OWN, Situation.MISFIT),
        (heard(replace(FIRST, place_version=2)), OWN, Situation.MISFIT),
    ],
)
def test_otherwise_it_stays_silent_and_says_why(
    spare: Spare, own: Own, situation: Situation
) -> None:
    later = spare_waits(spare, 60_000 * MS, own)
    assert not later.playing
    assert said(later, 60_000 * MS, own) is situation


def test_a_first_whose_engine_is_dead_counts_as_quiet() -> None:
    spare, number = heard(), 1
    for now_ns in range(0, 3000 * MS, 100 * MS):
        number += 1
        dead = replace(FIRST, number=number, age_ns=now_ns + FRESH_NS + 1)
        spare = spare_waits(spare_hears(spare, dead, now_ns, OWN), now_ns, OWN)
    assert spare.playing


def test_a_first_that_mends_its_engine_in_a_second_and_a_half_keeps_the_show() -> None:
    spare, number = heard(), 1
    for now_ns in range(0, 5000 * MS, 100 * MS):
        number += 1
        age_ns = now_ns if now_ns < 1500 * MS else MS
        word = replace(FIRST, number=number, age_ns=age_ns)
        spare = spare_waits(spare_hears(spare, word, now_ns, OWN), now_ns, OWN)
    assert not spare.playing
    assert said(spare, 5000 * MS) is Situation.FOLLOWING


def test_two_first_computers_are_said_and_the_one_it_has_is_kept() -> None:
    spare = heard()
    both = spare_hears(spare, replace(FIRST, run=6), RIVAL_NS - 1, OWN)
    assert both.first is not None
    assert both.first.word.run == 5
    assert both.rival_ns == RIVAL_NS - 1


def test_a_first_that_was_started_again_is_followed_anew() -> None:
    fresh = spare_hears(heard(), replace(FIRST, run=6), RIVAL_NS, OWN)
    assert fresh.first is not None
    assert fresh.first.word.run == 6
    assert not fresh.went_along, "not before the engine has been there"
    left = spare_hears(heard(replace(FIRST, leaves=1)), replace(FIRST, run=6), MS, OWN)
    assert left.first is not None
    assert left.first.word.run == 6


def test_when_both_play_both_say_so_and_giving_back_ends_it() -> None:
    spare = spare_waits(heard(), 3000 * MS, OWN)
    spare = spare_hears(spare, replace(FIRST, number=90), 4000 * MS, OWN)
    assert said(spare, 4000 * MS) is Situation.BOTH
    assert said(spare, 4000 * MS, still=True) is Situation.BOTH_ON
    own_word = Word(run=1, number=1, show=7, rate=48_000, place_version=1, playing=1)
    other = first_hears(None, own_word, 4000 * MS, replace(OWN, run=5))
    assert heard_of_spare(other, 4000 * MS, replace(OWN, run=5)) is Heard.BOTH
    back = spare_gives_back(spare, 4100 * MS)
    assert isinstance(back, Spare)
    assert not back.playing
    assert said(back, 4100 * MS) is Situation.CATCHING_UP
    assert not spare_waits(back, 60_000 * MS, OWN).playing, "it has not gone along again yet"


def test_it_does_not_give_back_to_nobody() -> None:
    spare = spare_waits(heard(), 3000 * MS, OWN)
    assert spare_gives_back(spare, 4000 * MS) is Refusal.NOBODY_ELSE
    assert spare_gives_back(Spare(playing=True), 0) is Refusal.NOBODY_ELSE


def test_a_silent_one_that_goes_along_with_us_is_no_first() -> None:
    spare = Spare(playing=True)
    spare = spare_hears(spare, replace(FIRST, run=9, playing=0), MS, OWN)
    assert spare.first is None
    assert spare.follower is not None
    assert said(spare, MS) is Situation.PLAYING


def test_a_first_that_is_silent_now_is_no_first_any_more() -> None:
    """Two that have changed places: the one that gave back goes along with the other."""
    spare = spare_takes_over(heard(), MS, OWN)
    assert isinstance(spare, Spare)
    late = spare_hears(spare, replace(FIRST, playing=0), 2 * MS, OWN)
    assert said(late, 2 * MS) is Situation.BOTH, "an old word changes nothing"
    alone = spare_hears(spare, replace(FIRST, playing=0, number=2), 2 * MS, OWN)
    assert said(alone, 2 * MS) is Situation.PLAYING
    assert alone.follower is not None


# --- the first one ----------------------------------------------------------------------------

SPARE = replace(FIRST, run=1, playing=0, goes_along=1, hears_ns=50 * MS)
MINE = replace(OWN, run=5)


@pytest.mark.parametrize(
    ("word", "ago_ns", "found"),
    [
        (SPARE, 0, Heard.GOES_ALONG),
        (replace(SPARE, goes_along=0), 0, Heard.NOT_YET),
        (replace(SPARE, hears_ns=-1), 0, Heard.NOT_YET),
        (replace(SPARE, hears_ns=DEAF_NS + 1), 0, Heard.DEAF),
        (SPARE, DEAF_NS + 1, Heard.GONE),
        (replace(SPARE, show=3), 0, Heard.MISFIT),
        (replace(SPARE, leaves=1), 0, Heard.LEFT),
        (replace(SPARE, leaves=1, playing=1), 10 * DEAF_NS, Heard.LEFT),
        (replace(SPARE, playing=1), 0, Heard.BOTH),
        (replace(SPARE, playing=1, show=3), 0, Heard.BOTH),
        (replace(SPARE, playing=1), DEAF_NS + 1, Heard.GONE),
    ],
)
def test_what_the_first_says_of_its_spare(word: Word, ago_ns: int, found: Heard) -> None:
    other = first_hears(None, word, 0, MINE)
    assert heard_of_spare(other, ago_ns, MINE) is found


def test_no_spare_and_its_own_echo() -> None:
    assert heard_of_spare(first_hears(None, replace(SPARE, run=5), 0, MINE), 0, MINE) is (
        Heard.NO_SPARE
    )
    assert spare_hears(Spare(), replace(FIRST, run=1), 0, OWN) == Spare()


def test_one_that_plays_is_not_hidden_behind_one_that_is_silent() -> None:
    loud = first_hears(None, replace(SPARE, playing=1), 0, MINE)
    assert heard_of_spare(first_hears(loud, replace(SPARE, run=2), MS, MINE), MS, MINE) is (
        Heard.BOTH
    )


# --- any network at all -----------------------------------------------------------------------

TICK_NS = 50 * MS
SECONDS = 40


class Night:
    """Two computers and a network that loses, doubles, delays and turns round, from a seed."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)
        self.loss = self.random.choice([0, 0, 0.05, 0.3])
        self.late_ns = self.random.choice([0, 20 * MS, 400 * MS])
        self.cut = sorted(self.random.uniform(3, SECONDS) for _ in range(2))
        self.first_dies_s = self.random.choice([SECONDS, self.random.uniform(3, SECONDS)])
        self.own = replace(OWN, by_itself=self.random.random() < 0.8)
        self.to_spare: list[tuple[int, Word]] = []
        self.to_first: list[tuple[int, Word]] = []
        self.spare, self.other = Spare(), None
        self.numbers = {1: 0, 5: 0}
        self.unsaid_ns = 0  # how long both have played without either saying so

    def post(self, box: list[tuple[int, Word]], word: Word, now_ns: int) -> None:
        cut = self.cut[0] <= now_ns / 1e9 < self.cut[1]
        copies = 0 if cut else self.random.choice([1, 1, 1, 2])
        box.extend(
            (now_ns + int(self.random.uniform(0, self.late_ns)), word)
            for _ in range(copies)
            if self.random.random() >= self.loss
        )

    def turn(self, now_ns: int) -> None:
        alive = now_ns / 1e9 < self.first_dies_s
        if now_ns % (100 * MS) == 0:
            self.numbers = {run: number + 1 for run, number in self.numbers.items()}
            if alive:
                self.post(self.to_spare, replace(FIRST, number=self.numbers[5]), now_ns)
            hears = -1 if self.spare.first is None else now_ns - self.spare.first.heard_ns
            word = replace(
                SPARE,
                number=self.numbers[1],
                playing=int(self.spare.playing),
                goes_along=int(self.spare.went_along),
                hears_ns=hears,
            )
            self.post(self.to_first, word, now_ns)
        for at_ns, word in sorted(self.to_spare, key=lambda row: row[0]):
            if at_ns <= now_ns:
                self.spare = spare_hears(self.spare, word, now_ns, self.own)
        self.to_spare = [row for row in self.to_spare if row[0] > now_ns]
        for at_ns, word in sorted(self.to_first, key=lambda row: row[0]):
            if at_ns <= now_ns:
                self.other = first_hears(self.other, word, now_ns, MINE)
        self.to_first = [row for row in self.to_first if row[0] > now_ns]
        if first_is_alive(self.spare, now_ns):
            self.spare = spare_goes_along(self.spare)
        before = self.spare
        self.spare = spare_waits(self.spare, now_ns, self.own)
        if self.spare.playing and not before.playing:
            assert self.own.by_itself
            assert before.first is not None
            assert now_ns - before.first.fresh_ns > PATIENCE_NS
        self.judge(now_ns, alive=alive)

    def judge(self, now_ns: int, *, alive: bool) -> None:
        loud = self.spare.playing and alive
        warned = heard_of_spare(self.other, now_ns, MINE) in (Heard.BOTH, Heard.GONE, Heard.DEAF)
        said = situation_of(self.spare, now_ns, self.own, still=False) is Situation.BOTH
        self.unsaid_ns = 0 if not loud or warned or said else self.unsaid_ns + TICK_NS
        assert self.unsaid_ns <= DEAF_NS + self.late_ns, "both play, and nobody says so"


@given(st.integers(0, 2**32))
@settings(deadline=None, max_examples=60)
def test_both_never_play_without_a_word_whatever_the_network_does(seed: int) -> None:
    night = Night(seed)
    for now_ns in range(0, SECONDS * 1000 * MS, TICK_NS):
        night.turn(now_ns)


@given(st.integers(0, 2**32))
@settings(deadline=None, max_examples=60)
def test_a_first_that_dies_is_always_replaced_if_it_may_be(seed: int) -> None:
    night = Night(seed)
    night.first_dies_s, night.own = 20.0, OWN
    for now_ns in range(0, SECONDS * 1000 * MS, TICK_NS):
        night.turn(now_ns)
    assert night.spare.playing or not night.spare.went_along


@settings(deadline=None)
@given(st.lists(st.integers(0, 40), min_size=1), st.randoms(use_true_random=False))
def test_old_and_doubled_words_change_nothing(numbers: list[int], chance: random.Random) -> None:
    spare, newest = Spare(), -1
    for at_ns, number in enumerate(numbers):
        word = replace(FIRST, number=number, transport=chance.randrange(6))
        after = spare_hears(spare, word, at_ns, OWN)
        if number <= newest:
            assert after == spare
        newest = max(newest, number)
        spare = after
    assert spare.first is not None
    assert spare.first.word.number == newest


def test_why_it_does_not_fit() -> None:
    assert OWN.misfit(FIRST) is Misfit.NONE
    assert OWN.misfit(replace(FIRST, show=1)) is Misfit.SHOW
    assert OWN.misfit(replace(FIRST, rate=1)) is Misfit.RATE
    assert OWN.misfit(replace(FIRST, place_version=9, show=1)) is Misfit.VERSION
    assert OWN.misfit(replace(FIRST, sounds=1)) is Misfit.NONE, "said, but no reason"
