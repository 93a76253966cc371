"""Bad input gets one clear message where it stands, whatever it is."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from syncbox.errors import UnreadableError
from syncbox.score.problem import Problem, Severity
from syncbox.score.reading import read_show, read_song
from syncbox.score.reading.nodes import DEPTH_MAX

HEAD = "syncbox: 1\ntitle: x\ntempo: 100\n"
ONE = "sections:\n  - {section: A, bars: 2}\n"


def problems_of(text: str) -> list[Problem]:
    problems: list[Problem] = []
    song = read_song(text, "s.yaml", problems)
    assert (song is None) == any(p.severity is Severity.ERROR for p in problems)
    return problems


def bomb() -> str:
    lines = ["a: &a [x, x, x, x, x, x, x, x, x]"]
    for own, other in zip("bcdefghij", "abcdefghi", strict=True):
        lines.append(f"{own}: &{own} [{', '.join(['*' + other] * 9)}]")
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("text", "place", "what"),
    [
        ("", "s.yaml", "the file is empty"),
        ("# only a note\n", "s.yaml", "the file is empty"),
        ("hello", "s.yaml:1:1", "not as the text 'hello'"),
        ("- a\n", "s.yaml:1:1", "not as a list"),
        (HEAD + "sections:\n\t- {section: A}\n", "s.yaml:5:1", "a tab indents this line"),
        ("a: " + "[" * 100_000, f"s.yaml:1:{4 + DEPTH_MAX - 1}", "go too deep"),
        ("- " * 100_000, f"s.yaml:1:{1 + 2 * DEPTH_MAX}", "go too deep"),
        (bomb(), "s.yaml:6:8", "more than 100000 things"),
        ("a: &a [*a]", "s.yaml:1:8", "*a repeats something"),
        (HEAD + "key: *z\n" + ONE, "s.yaml:4:6", "*z repeats something"),
        (HEAD + "title: y\n" + ONE, "s.yaml:4:1", "the first is on line 2"),
        (HEAD + "<<: {key: G}\n" + ONE, "s.yaml:4:1", "'<<'"),
        (HEAD + "? [a]\n: b\n" + ONE, "s.yaml:4:3", "a list stands where a name"),
        (HEAD.replace("100", "0") + ONE, "s.yaml:3:8", "'0' is not a tempo"),
        (HEAD + "meter: 7/0\n" + ONE, "s.yaml:4:8", "no note value is called 1/0"),
        (HEAD + "sections:\n- {section: A, bars: -1}\n", "s.yaml:5:22", "'-1' is out of range"),
        (HEAD + "sections:\n- {section: A, bars: " + "9" * 5000 + "}\n", "s.yaml:5:22", "range"),
        (HEAD + "sections:\n- {section: A, bras: 2}\n", "s.yaml:5:16", "a section has no 'bras'"),
        (HEAD + "sections: []\n", "s.yaml:4:11", "at least one section"),
        (HEAD + "sections:\n- {section: A, bars: 2000, times: 200}\n", "s.yaml:5:1", "400000 bars"),
        (
            HEAD
            + "sections:\n- {section: A, bars: 9, times: 200, during: ["
            + "{bar: 1, text: x}, " * 201
            + "]}\n",
            "s.yaml:5:1",
            "40200 things happen",
        ),
        ("a: \x00", "s.yaml:1:4", "0000"),
        ("a: \ud800", "s.yaml:1:4", "D800"),
        ("k: " + "x" * 2_000_000, "s.yaml", "larger than 1 MB"),
        (HEAD + "notes: a: b\n" + ONE, "s.yaml:4:9", "a second ':'"),
        (HEAD + 'notes: "abc\n' + ONE, "s.yaml:4:8", "never closed"),
        (HEAD + "notes: [abc\n" + ONE, "s.yaml:4:8", "is not closed"),
        (HEAD + "notes: @abc\n" + ONE, "s.yaml:4:8", "cannot begin with '@'"),
        (HEAD + "notes: !abc x\n" + ONE, "s.yaml:4:8", "an exclamation mark"),
        (HEAD + "---\n" + HEAD, "s.yaml:4:1", "a second document"),
        (HEAD + "key\n" + ONE, "s.yaml:4:1", "a name without ':'"),
        ("syncbox: 2\ntitle: x\ncolour: red\n", "s.yaml:1:10", "newer than this program"),
        ("syncbox: one\n" + HEAD[11:] + ONE, "s.yaml:1:10", "the format is not a number"),
        (HEAD.replace("100", "") + ONE, "s.yaml:3:1", "nothing is written after 'tempo:'"),
    ],
)
def test_one_message_where_it_stands(text: str, place: str, what: str) -> None:
    first, *_ = problems_of(text)
    assert str(first.place) == place
    assert what in first.what
    assert first.severity is Severity.ERROR


def test_deep_and_wide_files_are_refused_at_once() -> None:
    """The work is bounded by the limits, not by the file: seconds of thread time, not hours."""
    before = time.process_time()
    for text in ("[" * 500_000, "{a: " * 200_000, "? " * 300_000, "[" + "a," * 400_000, bomb()):
        assert problems_of(text)
    assert time.process_time() - before < 60


def test_ten_thousand_anchors_are_harmless() -> None:
    anchors = "".join(f"  - &a{i} {i}\n" for i in range(10_000))
    problems = problems_of(HEAD + ONE + "notes:\n" + anchors)
    assert len(problems) == 1
    aliases = HEAD + "key: &k Em\nnotes: *k\n" + ONE
    assert problems_of(aliases) == []


def test_many_mistakes_are_cut_off_at_a_hundred() -> None:
    problems = problems_of(HEAD + ONE + "".join(f"x{i}: 1\n" for i in range(1000)))
    assert len(problems) == 101
    assert problems[-1].what == "more mistakes follow here"


@pytest.mark.parametrize(
    "change", [str, lambda text: "\ufeff" + text, lambda t: t.replace("\n", "\r\n")]
)
def test_byte_order_mark_and_windows_line_ends_are_fine(change: object) -> None:
    assert callable(change)
    assert problems_of(change(HEAD + ONE)) == []
    (wrong,) = problems_of(change(HEAD + "kay: x\n" + ONE))
    assert str(wrong.place) == "s.yaml:4:1"


def test_a_line_separator_inside_a_text_does_not_move_the_lines() -> None:
    (wrong,) = problems_of(HEAD + "notes: a\u2028b\u0085c\nkay: x\n" + ONE)
    assert str(wrong.place) == "s.yaml:5:1"


def test_an_unknown_name_that_was_meant_is_not_missing_too() -> None:
    (wrong,) = problems_of("syncbox: 1\ntitel: x\ntempo: 100\n" + ONE)
    assert wrong.hint == "did you mean 'title'?"


def test_older_and_missing_formats_are_noted() -> None:
    for head, what in (("syncbox: 0\n", "is in format 0"), ("", "does not say its format")):
        (note,) = problems_of(head + "title: x\ntempo: 100\n" + ONE)
        assert note.severity is Severity.WARNING
        assert what in note.what


TWENTY = """\
syncbox: 1
title: Twenty Mistakes
tempo: fast
meter: 4/3
count-in: 2
pickup: 2 bars
clicks: beats
key: [E, m]
sections:
  - section: A
    bars: eight
    vamp: often
    patches: organ
  - section: B
    bars: 4
    tempo: quarter = 1000
    ramp: {to: 120, over: 4 bras, shape: by ear}
    click: {swing: 1:2}
    send: {to: organ, controller: 128, value: 1}
    play:
      - {loop: audio/a.flac}
      - {stem: audio/b.flac, gain: loud}
    during:
      - {bar: 5, text: x}
      - {bar: 4, beat: 0, text: x}
      - {beat: 2, text: x}
      - {bar: 2, hold: sometimes}
      - {bar: 3, only: 2, text: x}
"""
TWENTY_PLACES = [
    (3, 8),
    (4, 8),
    (5, 11),
    (6, 9),
    (7, 1),
    (8, 6),
    (11, 11),
    (12, 11),
    (13, 14),
    (16, 12),
    (17, 27),
    (17, 42),
    (18, 20),
    (19, 35),
    (21, 9),
    (22, 36),
    (24, 15),
    (25, 24),
    (26, 9),
    (27, 24),
    (28, 24),
]


def test_a_file_with_twenty_one_mistakes_reports_them_all() -> None:
    problems = problems_of(TWENTY)
    found = sorted((p.place.line, p.place.column) for p in problems)
    assert found == TWENTY_PLACES
    assert all(problem.hint for problem in problems)


# --- files -------------------------------------------------------------------------------------


def show_problems(folder: Path) -> list[str]:
    problems: list[Problem] = []
    read_show(folder, problems=problems)
    return [f"{Path(p.place.file).name}:{p.place.line} {p.what}" for p in problems]


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "the file is empty"),
        (b"\x7fELF\x02\x01\x01\x00" * 100, "this is not a text file"),
        (b"title: caf\xe9\n", "line 1 is not UTF-8 text"),
    ],
)
def test_files_that_are_no_text(tmp_path: Path, data: bytes, what: str) -> None:
    (tmp_path / "rig.yaml").write_text(
        "syncbox: 1\nmixes: {a: {outputs: 1, levels: {click: 0}}}\n", encoding="utf-8"
    )
    (tmp_path / "s.yaml").write_bytes(data)
    (line,) = show_problems(tmp_path)
    assert what in line


def test_a_hundred_megabytes_are_refused_unread(tmp_path: Path) -> None:
    with (tmp_path / "s.yaml").open("wb") as file:
        file.truncate(100 * 1_048_576)
    before = time.process_time()
    (_, line) = show_problems(tmp_path)
    assert line == "s.yaml:0 the file has 100.0 MB; 1 MB is the limit"
    assert time.process_time() - before < 5


def test_utf_16_with_its_mark_is_read(tmp_path: Path) -> None:
    (tmp_path / "s.yaml").write_text(HEAD + ONE, encoding="utf-16")
    problems: list[Problem] = []
    assert read_show(tmp_path, problems=problems) is not None


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UnreadableError, match="no such folder"):
        read_show(tmp_path / "nothing", problems=[])
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(UnreadableError, match="not a folder"):
        read_show(tmp_path / "file", problems=[])


def test_a_song_that_is_a_folder_or_a_broken_link(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").mkdir()
    os.symlink(tmp_path / "nowhere", tmp_path / "b.yaml")
    lines = show_problems(tmp_path)
    assert [line.split(":")[0] for line in lines] == ["a.yaml", "b.yaml", "rig.yaml"]
