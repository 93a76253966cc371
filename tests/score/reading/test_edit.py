"""One value is changed and nothing else; a save leaves the old file or the new one."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.errors import ShowError, UnreadableError
from syncbox.score.problem import Problem
from syncbox.score.reading.edit import find, set_value
from syncbox.score.reading.files import save_text
from syncbox.score.reading.nodes import Scalar, compose
from syncbox.score.reading.report import Report

SONGS = Path(__file__).parents[3] / "songs"
TEXT = """\
# ours since the first rehearsal
title:   Lantern Street   # never "Lantern Road"
tempo: 96
key: 'E m'
sections:
  - {section: Verse, bars: 8}   # short
  - section: Chorus
    bars: 16
"""


def value_at(text: str, path: tuple[str | int, ...]) -> str:
    root = compose(text, Report("x.yaml", []))
    assert root is not None
    node = find(root, path)
    assert isinstance(node, Scalar)
    return node.text


@pytest.mark.parametrize(
    ("path", "value", "old", "new"),
    [
        (("tempo",), "quarter = 98", "tempo: 96", "tempo: quarter = 98"),
        (("title",), "Lamp", "title:   Lantern Street   #", "title:   Lamp   #"),
        (("key",), "Am", "'E m'", "'Am'"),
        (("title",), "a: b # c", "Lantern Street", "'a: b # c'"),
        (("sections", 0, "bars"), "12", "bars: 8}", "bars: 12}"),
        (("sections", 0, "section"), "A, B", "Verse", "'A, B'"),
        (("sections", 1, "bars"), "4", "bars: 16", "bars: 4"),
    ],
)
def test_every_other_byte_stays(
    path: tuple[str | int, ...], value: str, old: str, new: str
) -> None:
    for text in (TEXT, TEXT.replace("\n", "\r\n"), "\ufeff" + TEXT):
        changed = set_value(text, path, value)
        assert changed == text.replace(old, new, 1)
        assert value_at(changed, path) == value


@given(st.text(max_size=30))
def test_any_value_reads_back_or_is_refused(value: str) -> None:
    for path in (("title",), ("key",), ("sections", 0, "section")):
        try:
            changed = set_value(TEXT, path, value)
        except ShowError:
            assert any(not c.isprintable() for c in value)
            continue
        assert value_at(changed, path) == value
        assert changed.endswith("bars: 16\n")


def test_every_value_of_the_demo_show_can_be_changed_in_place() -> None:
    for file in SONGS.glob("*.yaml"):
        text = file.read_text(encoding="utf-8")
        assert "\ntitle: " in text or file.name == "rig.yaml"
        if file.name != "rig.yaml":
            changed = set_value(text, ("title",), "Another")
            before, after = text.splitlines(), changed.splitlines()
            assert [a for a, b in zip(after, before, strict=True) if a != b] == ["title: Another"]


def test_an_empty_value_gets_its_space() -> None:
    assert set_value("key:\ntitle: x\n", ("key",), "G") == "key: G\ntitle: x\n"


def test_what_cannot_be_changed_says_so() -> None:
    with pytest.raises(ShowError, match=r"no 'sections\.5'"):
        set_value(TEXT, ("sections", 5), "x")
    with pytest.raises(ShowError, match="a list stands here"):
        set_value(TEXT, ("sections",), "x")
    with pytest.raises(ShowError, match="not closed"):
        set_value("a: [", ("a",), "x")


def test_saving_keeps_the_version_before(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    save_text(path, "one\r\n")
    assert not (tmp_path / "a.yaml.before").exists()
    path.chmod(0o640)
    save_text(path, "two\n")
    assert path.read_bytes() == b"two\n"
    assert (tmp_path / "a.yaml.before").read_bytes() == b"one\r\n"
    assert path.stat().st_mode & 0o777 == 0o640
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.yaml", "a.yaml.before"]


def test_a_save_that_fails_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.yaml"
    save_text(path, "one\n")

    def no_room(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", no_room)
    with pytest.raises(UnreadableError, match="No space left"):
        save_text(path, "two\n")
    assert path.read_text(encoding="utf-8") == "one\n"
    assert [p.name for p in tmp_path.iterdir()] == ["a.yaml"]


def test_places_in_the_text_are_exact() -> None:
    problems: list[Problem] = []
    text = "\ufeffkey: ♩ 𝄞 x\r\ntitle: 'y'\r\n"
    root = compose(text, Report("x.yaml", problems))
    assert root is not None
    for key, written in (("key", "♩ 𝄞 x"), ("title", "'y'")):
        node = find(root, (key,))
        assert isinstance(node, Scalar)
        assert text[node.start : node.end] == written
