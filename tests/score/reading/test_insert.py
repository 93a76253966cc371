"""A line is added where it belongs, and nothing else in the file moves."""

from __future__ import annotations

from pathlib import Path

import pytest

from syncbox.errors import ShowError
from syncbox.score.reading.insert import add_item, add_pair, quoted

ITEM = "{does: cue, port: pedals, message: controller 64}"
LINE = f"- {ITEM}\n"


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("controls:\n  - {a: 1}\n", f"controls:\n  - {{a: 1}}\n  {LINE}"),
        ("controls:\n- {a: 1}\nb: 2\n", f"controls:\n- {{a: 1}}\n{LINE}b: 2\n"),
        (
            "controls:\n    - a: 1\n      b: 2   # mine\n\n# next\nc: 3\n",
            f"controls:\n    - a: 1\n      b: 2   # mine\n    {LINE}\n# next\nc: 3\n",
        ),
        ("controls:\n  - {a: 1,\n     b: 2\n    }\nc: 1\n",
         f"controls:\n  - {{a: 1,\n     b: 2\n    }}\n  {LINE}c: 1\n"),
        ("controls:\n# none yet\nb: 2\n", f"controls:\n  {LINE}# none yet\nb: 2\n"),
        ("b: 2   # end", f"b: 2   # end\n\ncontrols:\n  {LINE}"),
    ],
)  # fmt: skip
def test_the_line_is_the_last_of_its_list(before: str, after: str) -> None:
    assert add_item(before, "controls", ITEM) == after


def test_line_ends_of_the_file_are_kept() -> None:
    assert add_item("a: 1\r\n", "controls", "{b: 2}") == ("a: 1\r\n\r\ncontrols:\r\n  - {b: 2}\r\n")


def test_names_with_values() -> None:
    text = "inputs:\n  pedals: '*pedal*'  # left\n"
    assert add_pair(text, "inputs", "pads", "*pad: 1*") == text + '  pads: "*pad: 1*"\n'
    assert add_pair("a: 1\n", "inputs", "x y", "b") == "a: 1\n\ninputs:\n  x y: b\n"


@pytest.mark.parametrize("word", ["pads", "x y", "*a*", 'a"b\\c', "a: b", "1", "#a", "yes"])
def test_any_word_can_be_written(word: str) -> None:
    assert add_pair("a: 1\n", "inputs", "k", word).endswith(f"k: {quoted(word)}\n")


@pytest.mark.parametrize("text", ["controls: [{a: 1}]\n", "controls: {a: 1}\n", "controls: 5\n"])
def test_where_there_is_no_place_the_line_is_said(text: str) -> None:
    with pytest.raises(ShowError, match="no place under 'controls'") as error:
        add_item(text, "controls", ITEM, source="rig.yaml")
    assert error.value.hint == f"write it there by hand: - {ITEM}"
    assert error.value.where == "rig.yaml:1"


def test_the_demo_show_takes_another_pedal() -> None:
    rig = Path(__file__).parents[3] / "songs" / "rig.yaml"
    text = rig.read_text(encoding="utf-8")
    changed = add_item(text, "controls", ITEM)
    assert [line for line in changed.splitlines() if line not in text.splitlines()] == [
        f"  - {ITEM}"
    ] or text.count(ITEM)
    assert len(changed) == len(text) + len(ITEM) + 5
