from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from dataclasses import asdict, replace
from pathlib import Path

import pytest

from syncbox.errors import UnreadableError
from syncbox.rehearsal.takes import (
    Note,
    Round,
    Take,
    add_take,
    log_path,
    new_recording_path,
    read_takes,
)

TAKE = Take(
    song="low-tide",
    when="2031-02-03T20:15:00",
    first_section="Verse",
    last_section="Chorus",
    rounds=(Round(1, "17/20", 96_000), Round(2, "9/10", None)),
    recording="low-tide 20310203.wav",
    rate=48_000,
    notes=(Note("Verse", 1, 3, 2, "patch too late – ♭"),),
)


def test_what_is_added_is_read_back(tmp_path: Path) -> None:
    add_take(tmp_path, TAKE)
    add_take(tmp_path, TAKE)
    assert read_takes(tmp_path, "low-tide") == ([TAKE, TAKE], 0)
    assert read_takes(tmp_path, "other") == ([], 0)


def test_a_torn_line_costs_only_itself(tmp_path: Path) -> None:
    add_take(tmp_path, TAKE)
    whole = log_path(tmp_path, "low-tide").read_bytes()
    log_path(tmp_path, "low-tide").write_bytes(whole + whole[: len(whole) // 2])
    add_take(tmp_path, TAKE)
    assert read_takes(tmp_path, "low-tide") == ([TAKE, TAKE], 1)


def test_recordings_never_overwrite_each_other(tmp_path: Path) -> None:
    paths = [new_recording_path(tmp_path, "low-tide", "20310203") for _ in range(3)]
    assert len(set(paths)) == 3, "also if the first one is not written yet"


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "takes").write_text("a file is in the way")
    with pytest.raises(UnreadableError, match="cannot make a recording"):
        new_recording_path(tmp_path, "low-tide", "x")
    with pytest.raises(UnreadableError, match="cannot write the log"):
        add_take(tmp_path, TAKE)


def test_the_last_line_of_a_take_counts(tmp_path: Path) -> None:
    begun = replace(TAKE, id="one", notes=(), rounds=TAKE.rounds[:1])
    add_take(tmp_path, begun)
    add_take(tmp_path, replace(TAKE, id="two"))
    add_take(tmp_path, replace(TAKE, id="one"))
    found, unreadable = read_takes(tmp_path, "low-tide")
    assert [(take.id, len(take.rounds)) for take in found] == [("one", 2), ("two", 2)]
    assert unreadable == 0


@pytest.mark.parametrize(
    "line",
    [
        b"null", b"5", b"[]", b'"text"', b"{}", b"\xff\xfe\x00", b"[" * 100_000,
        b'{"song": 3, "when": "x", "first_section": "", "last_section": "", "rounds": []}',
        b'{"song": "a", "when": "x", "first_section": "", "last_section": "", "rounds": [5]}',
        b'{"song": "a", "when": "x", "first_section": "", "last_section": "", "rounds": "x"}',
        b'{"song": "a", "when": "x", "first_section": "", "last_section": "",'
        b' "rounds": [{"number": 1, "speed": "1/0", "first_frame": null}]}',
        b'{"song": "a", "when": "x", "first_section": "", "last_section": "",'
        b' "rounds": [{"number": 1, "speed": "fast", "first_frame": null}]}',
    ],
)  # fmt: skip
def test_whatever_a_line_holds_costs_only_itself(tmp_path: Path, line: bytes) -> None:
    add_take(tmp_path, TAKE)
    path = log_path(tmp_path, "low-tide")
    path.write_bytes(path.read_bytes() + line + b"\n\n")
    add_take(tmp_path, TAKE)
    assert read_takes(tmp_path, "low-tide") == ([TAKE, TAKE], 1)


def test_what_a_later_version_writes_is_passed_over(tmp_path: Path) -> None:
    line = json.dumps(asdict(TAKE) | {"weather": "rain"})
    path = add_take(tmp_path, TAKE)
    path.write_text(line + "\n", encoding="utf-8")
    assert read_takes(tmp_path, "low-tide") == ([TAKE], 0)


def test_words_that_no_file_can_hold_do_not_cost_the_take(tmp_path: Path) -> None:
    """A terminal that speaks another code than it says gives lone surrogates."""
    add_take(tmp_path, replace(TAKE, notes=(Note("Verse", 1, 3, 2, "zu sp\udce4t"),)))
    (found,), _ = read_takes(tmp_path, "low-tide")
    assert found.notes[0].text == "zu sp?t"


def test_a_full_disk_leaves_the_log_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = add_take(tmp_path, TAKE)
    before = path.read_bytes()
    real = os.write

    def half(descriptor: int, data: bytes) -> int:
        if len(data) < 100:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(descriptor, data[: len(data) // 2])

    with monkeypatch.context() as patched:
        patched.setattr("os.write", half)
        with pytest.raises(UnreadableError, match="cannot write the log"):
            add_take(tmp_path, TAKE)
    assert path.read_bytes() == before


_MANY = """
import sys
from dataclasses import replace
from pathlib import Path
from syncbox.rehearsal.takes import Note, Round, Take, add_take
take = Take("low-tide", "2031-02-03T20:15:00", "", "", (Round(1, "1", None),))
for number in range(40):
    note = Note("Verse", 1, 1, 1, sys.argv[2] * 5000)
    add_take(Path(sys.argv[1]), replace(take, id=f"{sys.argv[2]} {number}", notes=(note,)))
"""


def test_two_at_once_lose_nothing(tmp_path: Path) -> None:
    both = [
        subprocess.Popen([sys.executable, "-c", _MANY, str(tmp_path), name]) for name in ("a", "b")
    ]
    assert [process.wait(timeout=120) for process in both] == [0, 0]
    found, unreadable = read_takes(tmp_path, "low-tide")
    assert (len(found), unreadable) == (80, 0)


def test_a_log_that_may_not_be_read_is_said(tmp_path: Path) -> None:
    log_path(tmp_path, "low-tide").mkdir(parents=True)
    with pytest.raises(UnreadableError, match="cannot read the log"):
        read_takes(tmp_path, "low-tide")
