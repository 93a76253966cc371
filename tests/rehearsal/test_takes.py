from __future__ import annotations

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
    first = new_recording_path(tmp_path, "low-tide", "20310203")
    first.touch()
    assert new_recording_path(tmp_path, "low-tide", "20310203") != first


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "takes").write_text("a file is in the way")
    with pytest.raises(UnreadableError, match="cannot make the folder"):
        new_recording_path(tmp_path, "low-tide", "x")
    with pytest.raises(UnreadableError, match="cannot write the log"):
        add_take(tmp_path, TAKE)
