"""Time code, pulses and words that lead nowhere are told."""

from dataclasses import replace

import pytest
from building import section, show_of, song

from syncbox.score.code_checks import check_codes
from syncbox.score.problem import Severity
from syncbox.score.rig import MidiPort, Mix, Pulse, Rig, SetList
from syncbox.score.timecode import CodeRate, SetTimeCode, TimeCode

CODE = TimeCode(CodeRate.FPS_25, 0)
PLAIN = song(section("A", 1))
CODED = replace(PLAIN, time_code=CODE)
EARS = Mix("ears", (1,), {"click": 0.0})
TAPE = Mix("tape", (2,), {"time-code": 0.0, "click": float("-inf")})
LIGHTS = MidiPort("lights", "x", time_code=True)


def problems(written, **rig):
    show = show_of(written, rig=Rig(**{"mixes": (EARS,), **rig}))
    found = list(check_codes(show))
    assert all(problem.severity is Severity.WARNING for problem in found)
    return [problem.what for problem in found]


@pytest.mark.parametrize(
    ("written", "rig"),
    [
        (PLAIN, {}),
        (CODED, {"ports": (LIGHTS,)}),
        (CODED, {"mixes": (EARS, TAPE)}),
        (PLAIN, {"pulse": Pulse(2), "mixes": (EARS, Mix("old", (2,), {"clock-pulse": 0.0}))}),
        (PLAIN, {"spoken": True, "mixes": (Mix("ears", (1,), {"voice": -6.0}),)}),
        (replace(PLAIN, spoken=False), {"spoken": True}),
    ],
)
def test_a_show_that_is_right(written, rig):
    assert problems(written, **rig) == []


@pytest.mark.parametrize(
    ("written", "rig", "what"),
    [
        (CODED, {}, "goes nowhere"),
        (PLAIN, {"ports": (LIGHTS,)}, "no song has a time code"),
        (PLAIN, {"mixes": (EARS, TAPE)}, "no song has a time code"),
        (PLAIN, {"pulse": Pulse(2)}, "no output gets the clock pulses"),
        (PLAIN, {"mixes": (Mix("old", (2,), {"clock-pulse": 0.0}),)}, "there are none"),
        (PLAIN, {"spoken": True}, "nobody hears the spoken words"),
        (replace(PLAIN, spoken=True), {}, "nobody hears the spoken words"),
        (CODED, {"mixes": (Mix("ears", (1,), {"click": 0.0, "time-code": -9.0}),)}, "harsh"),
    ],
)
def test_what_leads_nowhere_is_told(written, rig, what):
    (found,) = problems(written, **rig)
    assert what in found


def test_the_code_of_a_set_counts():
    show = show_of(PLAIN, rig=Rig(mixes=(EARS,)))
    coded = SetList("x", show.set_list.entries, None, SetTimeCode(CODE))
    (found,) = check_codes(replace(show, set_list=coded))
    assert "goes nowhere" in found.what
