"""What a musician means by a plain word in a file, where YAML readers think otherwise.

The words are those of the YAML 1.2.2 specification's core schema (section 10.3.2) and of
the YAML 1.1 type repository (int with base 60 and leading-zero octal, bool with yes, no,
on and off, timestamp, merge, value), as PyYAML's safe_load resolves them. PyYAML itself is
asked what it makes of each, so that the trap is known to be one.
"""

from __future__ import annotations

from datetime import date
from fractions import Fraction

import pytest
import yaml

from syncbox.score.problem import Problem
from syncbox.score.reading import read_song
from syncbox.score.reading.nodes import Mapping, Scalar, compose
from syncbox.score.reading.report import Report
from syncbox.score.song import PatchChange, PlayAudio, Song, TextCue


def text_of(value: str) -> str:
    """What the reader sees of `value` written plainly behind a colon."""
    problems: list[Problem] = []
    root = compose(f"x: {value}\n", Report("x.yaml", problems))
    assert problems == []
    assert isinstance(root, Mapping)
    node = root.get("x")
    assert isinstance(node, Scalar)
    return node.text


@pytest.mark.parametrize(
    ("plain", "yaml_1_1"),
    [
        ("1:30", 90),
        ("20:30", 1230),
        ("1:30:00", 5400),
        ("1:30.5", 90.5),
        ("12:30:45.5", 45045.5),
        ("01:30", "01:30"),
        ("0:30", "0:30"),
        ("-1:30", -90),
        ("no", False),
        ("No", False),
        ("off", False),
        ("yes", True),
        ("on", True),
        ("y", "y"),
        ("010", 8),
        ("08", "08"),
        ("007", 7),
        ("0777", 511),
        ("0o10", "0o10"),
        ("0x1F", 31),
        ("0b101", 5),
        ("1_000", 1000),
        ("1e3", "1e3"),
        ("1.0e+3", 1000.0),
        ("120", 120),
        ("1.10", 1.1),
        ("4/4", "4/4"),
        ("F#", "F#"),
        ("null", None),
        ("~", None),
        ("2024-01-02", date(2024, 1, 2)),
    ],
)
def test_every_word_stays_text(plain: str, yaml_1_1: object) -> None:
    assert yaml.safe_load(f"x: {plain}\n")["x"] == yaml_1_1
    assert text_of(plain) == plain


def song(lines: str) -> Song:
    problems: list[Problem] = []
    read = read_song(
        f"syncbox: 1\ntitle: x\ntempo: 100\nsections:\n  - section: A\n    bars: 8\n{lines}",
        "x.yaml",
        problems,
    )
    assert problems == []
    assert read is not None
    return read


@pytest.mark.parametrize(
    ("written", "seconds"),
    [("1:30", 90), ("20:30", 1230), ("1:30:00", 5400), ("1:30.5", Fraction(181, 2)), ("0:30", 30)],
)
def test_a_time_is_minutes_and_seconds(written: str, seconds: Fraction) -> None:
    read = song(f"    play: {{stem: a.wav, from: {written}}}\n")
    (item,) = read.sections[0].body.items
    assert isinstance(item.what, PlayAudio)
    assert item.what.start_seconds == seconds


@pytest.mark.parametrize(("written", "bars"), [("08", 8), ("010", 10), ("007", 7), ("12", 12)])
def test_a_number_is_decimal(written: str, bars: int) -> None:
    problems: list[Problem] = []
    read = read_song(
        f"syncbox: 1\ntitle: x\ntempo: 0100\nsections: [{{section: A, bars: {written}}}]\n",
        "x.yaml",
        problems,
    )
    assert read is not None
    assert read.sections[0].body.bars == bars
    assert read.tempo_qpm == 100


@pytest.mark.parametrize("written", ["no", "Off", "on", "yes", "null", "~", "1:30", "010", "1e3"])
def test_a_name_is_a_name(written: str) -> None:
    read = song(f"    text: {written}\n    patches: {{{written}: {written}}}\n")
    patch, text = (item.what for item in read.sections[0].body.items)
    assert patch == PatchChange(written, written)
    assert text == TextCue(written)


def test_a_click_that_is_off_is_no_false() -> None:
    assert [item.what for item in song("    click: no\n").sections[0].body.items] == [
        item.what for item in song("    click: off\n").sections[0].body.items
    ]


def test_names_before_a_colon_do_not_run_together() -> None:
    """YAML 1.1 loads these five names as three: True, False and 8."""
    names = ["on", "no", "1", "010", "1.0"]
    text = "".join(f"{name}: {i}\n" for i, name in enumerate(names))
    assert list(yaml.safe_load(text)) == [True, False, 8]
    root = compose(text, Report("x.yaml", []))
    assert isinstance(root, Mapping)
    assert list(root.pairs) == names


def test_the_second_of_two_equal_names_is_reported() -> None:
    """PyYAML keeps the last one silently."""
    assert yaml.safe_load("bars: 4\nbars: 8\n") == {"bars": 8}
    problems: list[Problem] = []
    compose("bars: 4\nbars: 8\n", Report("x.yaml", problems))
    (problem,) = problems
    assert problem.what == "'bars' stands here a second time; the first is on line 1"


@pytest.mark.parametrize("sign", ["@x", "`x", "%x", "C: D", "!x", "*a"])
def test_signs_that_need_quotes_say_so(sign: str) -> None:
    with pytest.raises(yaml.YAMLError):
        yaml.safe_load(f"x: {sign}\n")
    problems: list[Problem] = []
    assert compose(f"x: {sign}\n", Report("x.yaml", problems)) is None
    (problem,) = problems
    assert "quotes" in problem.hint


def test_a_number_sign_after_a_space_begins_a_note_to_yourself() -> None:
    assert text_of("a #b") == "a"
    assert text_of("F#") == "F#"
    assert text_of("'a #b'") == "a #b"
