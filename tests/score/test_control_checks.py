from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from building import RIG, section, song

from syncbox.score.control_checks import check_controls, check_zones
from syncbox.score.controls import Control, Sign, SignKind, Zone, zones_in_force

SONG = song(section("Verse", 4), section("Chorus", 4))
PEDAL = Sign(SignKind.CONTROLLER, 64, 64)
CUE = Control("cue", "pedals", PEDAL)


def told(*controls: Control) -> list[str]:
    return [p.what for p in check_controls(replace(RIG, controls=controls), [SONG])]


@pytest.mark.parametrize(
    ("other", "clashes"),
    [
        (Control("stop", "pedals", PEDAL), True),
        (Control("stop", "pedals", replace(PEDAL, channel=3)), True),
        (Control("stop", "pads", PEDAL), False),
        (Control("stop", "pedals", replace(PEDAL, low=66, high=66)), False),
        (Control("stop", "pedals", replace(PEDAL, low=60, high=66)), True),
        (Control("stop", "pedals", PEDAL, hold_ms=Fraction(600)), False),
    ],
)
def test_one_press_does_one_thing(other: Control, clashes: bool) -> None:
    assert bool(told(CUE, other)) is clashes


def test_a_jump_goes_to_a_section_that_some_song_has() -> None:
    assert told(Control("jump at bar", "pedals", PEDAL, section="Chorus")) == []
    assert told(Control("jump at bar", "pedals", PEDAL, section="Corus")) == [
        "no song has a section 'Corus'"
    ]


def test_zones_name_keyboards_and_instruments_of_the_rig() -> None:
    rig = replace(RIG, input_ports={"upper": "*"}, zones=(Zone("uper", "organ"),))
    bad = replace(SONG, zones=(Zone("upper", "orgn"), Zone("upper", "")))
    assert [(p.what, p.hint) for p in check_zones(rig, [bad])] == [
        ("'uper' is not an input of the rig", "did you mean 'upper'?"),
        ("'orgn' is not an instrument of the rig", "did you mean 'organ'?"),
    ]


def test_the_nearest_text_that_names_a_keyboard_counts_for_it() -> None:
    here, there, rig = Zone("a", "x"), (Zone("a", "y"), Zone("b", "y")), (Zone("c", "z"),)
    assert zones_in_force((here, here), there, rig) == (here, here, there[1], rig[0])
