from fractions import Fraction
from types import SimpleNamespace

import click
import pytest

from syncbox.cli.cues import Prompter, read_cues
from syncbox.engine.script import CueScript
from syncbox.engine.transport import State
from syncbox.score.layout import Until


@pytest.mark.parametrize(
    ("text", "script"),
    [
        ("4", CueScript((4,))),
        ("4 rounds, 1 round", CueScript((4, 1))),
        ("2.5s", CueScript((), (Fraction(5, 2),))),
        ("4, 2.5 s, 3", CueScript((4, 3), (Fraction(5, 2),))),
        ("usual rounds, 2, usual hold, 1s", CueScript((None, 2), (None, Fraction(1)))),
    ],
)
def test_a_list_of_cues(text, script):
    assert read_cues(None, None, text) == script


def test_no_list_is_no_script():
    assert read_cues(None, None, None) is None


@pytest.mark.parametrize("text", ["", "0", "four", "-1", "1.5", "99999", "2.5 sec", "4;2"])
def test_anything_else_is_refused_with_what_to_write(text):
    with pytest.raises(click.BadParameter, match="rounds of a vamp"):
        read_cues(None, None, text)


def status(transport, leg_index=0, round_no=1, frame=0, cue_pending=0):
    now = SimpleNamespace(
        transport=transport,
        song_index=0,
        leg_index=leg_index,
        round_no=round_no,
        cue_pending=cue_pending,
    )
    return SimpleNamespace(now=now, frame=frame, rate=1000)


VAMP = SimpleNamespace(until=Until.CUE, usual_rounds=2, hold_seconds=Fraction(0))
HOLD = SimpleNamespace(until=Until.CUE, usual_rounds=1, hold_seconds=Fraction(3))
TIMED_HOLD = SimpleNamespace(until=Until.END, usual_rounds=1, hold_seconds=Fraction(3))


def test_a_vamp_is_left_in_the_round_that_the_script_names():
    prompter = Prompter(CueScript((3,)))
    due = [prompter.due(status(State.VAMPING, 1, round_no), VAMP) for round_no in (1, 2, 3)]
    assert due == [False, False, True]
    assert not prompter.due(status(State.VAMPING, 1, 3, cue_pending=1), VAMP)


def test_the_second_vamp_has_its_own_number_and_after_the_list_the_usual_one():
    prompter = Prompter(CueScript((3, 1)))
    assert not prompter.due(status(State.VAMPING, 1, 1), VAMP)
    assert not prompter.due(status(State.ROLLING, 2), VAMP)
    assert prompter.due(status(State.VAMPING, 3, 1), VAMP)
    assert not prompter.due(status(State.ROLLING, 4), VAMP)
    assert not prompter.due(status(State.VAMPING, 5, 1), VAMP)
    assert prompter.due(status(State.VAMPING, 5, 2), VAMP)


def test_a_hold_lasts_its_seconds_from_when_it_was_reached():
    prompter = Prompter(CueScript((), (Fraction(1, 2),)))
    times = (10_000, 10_499, 10_500)
    due = [prompter.due(status(State.HOLDING, 1, frame=frame), HOLD) for frame in times]
    assert due == [False, False, True]


def test_a_hold_with_a_length_of_its_own_needs_no_cue():
    prompter = Prompter(CueScript((), (Fraction(0),)))
    assert not prompter.due(status(State.HOLDING, 1, frame=99_000), TIMED_HOLD)
