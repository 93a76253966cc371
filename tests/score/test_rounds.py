from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from building import Played, item, play, section, show_of, song

from syncbox.audio.voices import click_voices
from syncbox.errors import ShowError
from syncbox.schedule.clicks import leg_clicks
from syncbox.schedule.compile import compile_practice
from syncbox.score.layout import LegKind
from syncbox.score.rounds import Practice, practice_steps
from syncbox.score.song import CountIn, PatchChange, Ramp, Song, Span

RATE = 48_000


def a_song() -> Song:
    return song(
        section("A", 2, item(PatchChange("organ", "1"))),
        section("B", 2, item(Ramp(Fraction(180), Span(to_end=True)))),
        section("C", 1, item(PatchChange("organ", "3"))),
        count_in=CountIn(bars=1),
    )


def test_a_section_comes_round_after_round_with_a_count_in() -> None:
    steps = practice_steps(a_song(), Practice("B", times=3))
    assert [step.leg.kind for step in steps] == [LegKind.COUNT_IN, LegKind.SECTION] * 3
    assert {step.start_tick for step in steps if step.leg.kind is LegKind.SECTION} == {
        2 * 4 * 20_160
    }


def test_speed_keeps_the_shape_and_rises_from_round_to_round() -> None:
    practice = Practice("B", times=2, speed=Fraction(1, 2), raise_by=Fraction(1, 4))
    slow, faster = [s.leg for s in practice_steps(a_song(), practice) if s.leg.section == "B"]
    assert (slow.tempo_map.tempo_at(0), slow.tempo_map.tempo_at(slow.ticks)) == (60, 90)
    assert faster.tempo_map.tempo_at(0) == 90
    assert float(slow.duration_s / faster.duration_s) == pytest.approx(1.5, rel=1e-12)


def test_a_range_of_sections_and_the_whole_song() -> None:
    names = [s.leg.section for s in practice_steps(a_song(), Practice("A", "B"))]
    assert names == ["count-in", "A", "B"]
    whole = [s.leg.section for s in practice_steps(a_song(), Practice())]
    assert whole == ["count-in", "A", "B", "C"]


def test_sections_that_are_not_there_or_the_wrong_way_round_are_refused() -> None:
    with pytest.raises(ShowError, match="no section 'Z'"):
        practice_steps(a_song(), Practice("Z"))
    with pytest.raises(ShowError, match="comes before"):
        practice_steps(a_song(), Practice("C", "A"))


def test_silent_bars_go_on_from_pass_to_pass() -> None:
    """Two bars that come four times, with 2-on-2-off: every second time they are silent."""
    short = song(section("A", 2, passes=4), section("B", 1))
    legs = [s.leg for s in practice_steps(short, Practice("A", click_on=2, click_off=2))]
    clicks = [len(list(leg_clicks(leg))) for leg in legs if leg.section == "A"]
    assert [bool(count) for count in clicks] == [True, False, True, False]


def test_the_click_is_silent_for_some_bars() -> None:
    practice = Practice("A", click_on=1, click_off=1)
    leg = practice_steps(a_song(), practice)[1].leg
    assert [tick // 80_640 for tick, _ in leg_clicks(leg)] == [0, 0, 0, 0]


def played(practice: Practice) -> Played:
    sounds = ({}, click_voices(RATE))
    return play(compile_practice(show_of(a_song()), 0, practice, RATE, sounds))


def test_every_round_starts_receivers_at_the_sections_place() -> None:
    rounds = played(Practice("B", "C", times=2))
    positions = [data for _, _, data, why in rounds.midi if why == "song position"]
    assert positions == [bytes((0xF2, 32, 0))] * 2
    clocks = rounds.frames("clock")
    assert len(clocks) == 2 * 3 * 96
    starts = rounds.frames("continue")
    assert len(starts) == len(rounds.frames("stop")) == 2
    for start, first in zip(starts, (clocks[0], clocks[3 * 96]), strict=True):
        assert RATE // 1000 <= first - start <= RATE // 100


def test_a_round_begins_with_the_patches_that_hold_there() -> None:
    rounds = played(Practice("B", "C", times=2))
    sent = [data for _, port, data, why in rounds.midi if why == "patch" and port == 0]
    assert sent == [b"\xc0\x00", b"\xc0\x02", b"\xc0\x00", b"\xc0\x02"]


def test_practising_from_the_top_starts_instead_of_continuing() -> None:
    rounds = played(Practice("A", times=2))
    assert len(rounds.frames("start")) == 2
    assert np.all(np.diff(rounds.frames("clock"))[:190] == 1000)
