from fractions import Fraction

import click
import pytest

from syncbox.cli.cues import read_cues
from syncbox.engine.script import CueScript


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
