"""What a rig and a song say about who leads."""

from __future__ import annotations

from fractions import Fraction

import pytest

from syncbox.score.problem import Problem
from syncbox.score.reading import read_song
from syncbox.score.reading.rig import read_rig

RIG = "syncbox: 1\ninputs: {drum-box: '*drum*', pads: '*pads*'}\n"
SONG = "syncbox: 1\ntitle: T\ntempo: quarter = 100\nsections: [{section: A, bars: 4}]\n"


def problems_of(text: str) -> list[Problem]:
    problems: list[Problem] = []
    assert read_rig(text, "rig.yaml", problems) is None
    return [problem for problem in problems if "mix" not in problem.what]


def test_a_rig_follows_one_of_its_inputs() -> None:
    problems: list[Problem] = []
    rig = read_rig(RIG + "follow: drum-box\nfollow-offset: -4 ms\n", "rig.yaml", problems)
    assert rig is not None
    assert rig.follow == "drum-box"
    assert rig.follow_offset_ms == -4
    plain = read_rig(RIG, "rig.yaml", problems)
    assert plain is not None
    assert plain.follow is None


def test_an_input_that_is_not_there_is_told_with_its_place() -> None:
    (problem,) = problems_of(RIG + "follow: drumbox\n")
    assert str(problem.place) == "rig.yaml:3:9"
    assert problem.what == "'drumbox' is not one of the inputs"
    assert problem.hint == "did you mean 'drum-box'?"


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [("80 to 160", 80, 160), ("72.5 - 90", Fraction(145, 2), 90), ("60–70 bpm", 60, 70)],
)
def test_a_range_for_the_sticks(text: str, low: Fraction, high: Fraction) -> None:
    problems: list[Problem] = []
    rig = read_rig(RIG + f"stick-start: {text}\n", "rig.yaml", problems)
    song = read_song(SONG + f"stick-start: {text}\n", "t.yaml", problems)
    assert rig is not None
    assert song is not None
    assert rig.stick_start == song.stick_start == (low, high)
    plain = read_song(SONG, "t.yaml", problems)
    assert plain is not None
    assert plain.stick_start is None


@pytest.mark.parametrize("text", ["160 to 80", "fast", "80", "5 to 100", "80 to 900", "80 to 80"])
def test_a_range_that_is_none_is_refused_with_an_example(text: str) -> None:
    (problem,) = problems_of(RIG + f"stick-start: {text}\n")
    assert "range" in problem.what
    assert problem.hint


@pytest.mark.parametrize("does", ["sticks", "tap tempo"])
def test_pads_may_be_sticks(does: str) -> None:
    problems: list[Problem] = []
    control = f"controls: [{{does: {does}, port: pads, message: note 37 channel 10}}]\n"
    rig = read_rig(RIG + control, "rig.yaml", problems)
    assert rig is not None
    assert rig.controls[0].does == does
