from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from building import item, section, song, songs
from hypothesis import given

from syncbox.score.layout import LEG_BARS_MAX, Leg, LegKind, Until, lay_out, usual_path
from syncbox.score.meter import Meter
from syncbox.score.song import (
    AudioKind,
    Body,
    Click,
    ClickBeats,
    CountIn,
    EndLoop,
    Hold,
    MeterChange,
    Modulation,
    PatchChange,
    PlayAudio,
    Ramp,
    Song,
    Span,
    TempoStep,
)
from syncbox.units import TICKS_PER_QUARTER

QUARTER = TICKS_PER_QUARTER
SEVEN = Meter.of(7, 8, (2, 2, 3))


def starts(written: Song) -> list[tuple[str, float]]:
    steps = usual_path(lay_out(written))
    return [(step.leg.section, float(step.start_s)) for step in steps]


def numbers(legs: tuple[Leg, ...]) -> list[int]:
    return [bar.number for leg in legs for bar in leg.bars if not bar.continued]


@given(songs())
def test_legs_fit_together_without_gap_or_overlap(drawn: Song) -> None:
    route = lay_out(drawn)
    steps = usual_path(route)
    for before, after in pairwise(steps):
        assert before.start_tick + before.leg.ticks == after.start_tick
        assert before.start_s + before.leg.duration_s == after.start_s
    for leg in route.legs:
        assert leg.tempo_map.ticks == leg.ticks
        assert all(0 <= placed.tick <= leg.ticks for placed in leg.items)
    music = [bar for leg in route.legs if leg.kind is LegKind.SECTION for bar in leg.bars]
    assert sum(bar.meter.bar_ticks for bar in music if not bar.continued) == sum(
        leg.ticks for leg in route.legs if leg.kind is LegKind.SECTION
    )


def test_time_is_zero_at_the_first_downbeat() -> None:
    written = song(section("A", 4), count_in=CountIn(bars=2))
    assert starts(written) == [("count-in", -4.0), ("A", 0.0)]
    assert numbers(lay_out(written).legs) == [-1, 0, 1, 2, 3, 4]


def test_a_count_in_of_bars_includes_the_pickup() -> None:
    written = song(section("A", 4), count_in=CountIn(bars=2), pickup=Span(beats=Fraction(1)))
    assert starts(written) == [("count-in", -4.0), ("pickup", -0.5), ("A", 0.0)]


def test_a_count_in_of_beats_or_in_another_meter_comes_before_the_pickup() -> None:
    beats = song(section("A", 4), count_in=CountIn(beats=3), pickup=Span(beats=Fraction(1)))
    assert starts(beats)[0] == ("count-in", -2.0)
    other = song(section("A", 4), meter=SEVEN, count_in=CountIn(bars=1, meter=Meter.of(4, 4)))
    assert starts(other)[0] == ("count-in", -2.0)


def test_counted_beats_are_the_last_of_their_bar() -> None:
    count = lay_out(song(section("A", 1), count_in=CountIn(beats=6))).legs[0]
    assert [beat for _, beat, _ in count.beats()] == [2, 3, 0, 1, 2, 3]


def test_repeats_and_endings_are_written_out() -> None:
    written = song(section("A", 2, passes=3, endings=(Body(1), Body(2))))
    legs = lay_out(written).legs
    assert [(leg.pass_no, len(leg.bars)) for leg in legs] == [(1, 3), (2, 4), (3, 4)]
    assert numbers(legs) == list(range(1, 12))


def test_a_vamp_is_one_leg_until_the_cue_and_usually_so_many_rounds() -> None:
    written = song(section("V", 2, vamp_usual=3), section("B", 1))
    route = lay_out(written)
    assert [leg.until for leg in route.legs] == [Until.CUE, Until.END]
    assert [(s.leg.section, s.round) for s in usual_path(route)] == [
        ("V", 1),
        ("V", 2),
        ("V", 3),
        ("B", 1),
    ]
    assert route.legs[1].bars[0].number == 7


def test_a_hold_stops_time_after_its_beat() -> None:
    hold = Hold(usual_seconds=Fraction(5), count_beats=2)
    legs = lay_out(song(section("A", 2, item(hold, bar=1, beat=3)))).legs
    assert [leg.kind for leg in legs] == [
        LegKind.SECTION,
        LegKind.HOLD,
        LegKind.COUNT_IN,
        LegKind.SECTION,
    ]
    assert [leg.ticks for leg in legs] == [3 * QUARTER, 0, 2 * QUARTER, 5 * QUARTER]
    assert [float(leg.duration_s) for leg in legs] == [1.5, 5.0, 1.0, 2.5]
    assert [bar.continued for bar in legs[3].bars] == [True, False]


def test_every_pass_begins_at_the_tempo_and_meter_of_the_first() -> None:
    change = (item(TempoStep(Fraction(60)), bar=2), item(MeterChange(SEVEN), bar=2))
    legs = lay_out(song(section("A", 2, *change, passes=2))).legs
    assert [leg.tempo_map.tempo_at(0) for leg in legs] == [120, 120]
    assert [leg.bars[0].meter for leg in legs] == [Meter.of(4, 4)] * 2


def test_a_ramp_may_cross_into_the_next_section() -> None:
    ramp = item(Ramp(Fraction(160), Span(bars=4)), bar=3)
    legs = lay_out(song(section("A", 4, ramp), section("B", 4))).legs
    assert legs[1].tempo_map.tempo_at(0) == 140
    assert legs[1].tempo_map.tempo_at(legs[1].ticks) == 160


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [(Fraction(3, 4), Fraction(1), 160), (Fraction(1), Fraction(3, 2), 180)],
)
def test_metric_modulation_keeps_the_named_length(
    old: Fraction, new: Fraction, expected: int
) -> None:
    legs = lay_out(song(section("A", 1), section("B", 1, item(Modulation(old, new))))).legs
    assert legs[1].tempo_map.tempo_at(0) == expected


def test_long_sections_are_cut_and_keep_their_click_and_their_items() -> None:
    off = item(Click(ClickBeats.OFF), bar=2)
    patch = item(PatchChange("organ", "1"), bar=LEG_BARS_MAX + 2)
    legs = lay_out(song(section("A", LEG_BARS_MAX * 2 + 1, off, patch))).legs
    assert [len(leg.bars) for leg in legs] == [LEG_BARS_MAX, LEG_BARS_MAX, 1]
    assert legs[1].items[0].what == Click(ClickBeats.OFF)
    assert [p.tick for p in legs[1].items if p.what == patch.what] == [4 * QUARTER]
    assert {leg.section_bars for leg in legs} == {LEG_BARS_MAX * 2 + 1}


def test_a_loop_starts_again_until_its_section_ends() -> None:
    loop = PlayAudio("a.wav", "pads", AudioKind.LOOP, every_bars=2)
    leg = lay_out(song(section("A", 5, item(loop)))).legs[0]
    plays = [placed.tick // (4 * QUARTER) for placed in leg.items if placed.what == loop]
    assert plays == [0, 2, 4]
    assert [p.tick for p in leg.items if p.what == EndLoop("pads")] == [leg.ticks]


def test_items_may_belong_to_one_pass_only() -> None:
    patch = item(PatchChange("organ", "2"), passes=frozenset({2}))
    legs = lay_out(song(section("A", 1, patch, passes=2))).legs
    found = [[p.what for p in leg.items if isinstance(p.what, PatchChange)] for leg in legs]
    assert found == [[], [PatchChange("organ", "2")]]
