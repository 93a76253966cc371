from __future__ import annotations

import errno
import os
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st
from listening import wait_for

from syncbox.drivers import journal as module
from syncbox.drivers.journal import Journal, entry_of, journal_path, line_of, read_journal


def written(path, *whats):
    journal = Journal(path, now_s=lambda: 12.5)
    for what in whats:
        journal.note(what, bar=1)
    journal.close()
    return journal


def whats(path):
    return [entry["what"] for entry in read_journal(path)[0]]


def test_what_is_noted_is_read(tmp_path):
    path = journal_path(tmp_path)
    written(path, "a", "b")
    written(path, "c")
    assert read_journal(path) == ([{"what": w, "at": 12.5, "bar": 1} for w in "abc"], 0)


def test_no_journal_is_an_empty_one(tmp_path):
    assert read_journal(journal_path(tmp_path)) == ([], 0)


@pytest.mark.parametrize("cut", range(1, 30))
def test_a_torn_last_line_costs_that_line_alone(tmp_path, cut):
    path = journal_path(tmp_path)
    written(path, "a", "b")
    path.write_bytes(path.read_bytes()[:-cut])
    written(path, "c")
    assert whats(path) == ["a", "c"] if cut > 1 else ["a", "b", "c"]


@given(st.binary(max_size=40), st.integers(0, 60))
def test_nothing_that_was_changed_is_believed(noise, at):
    line = line_of({"what": "bar", "at": 1.5, "bar": 17})
    changed = line[:at] + noise + line[at + len(noise) :]
    assert entry_of(changed) is None or changed.rstrip(b"\n") == line.rstrip(b"\n")


def test_a_full_disk_is_said_and_costs_nothing_but_lines(tmp_path, monkeypatch):
    path = journal_path(tmp_path)
    full = threading.Event()
    real = os.write

    def write(descriptor, data):
        if full.is_set():
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(descriptor, data)

    monkeypatch.setattr(module.os, "write", write)
    monkeypatch.setattr(module, "_RETRY_S", 0.0)
    journal = Journal(path)
    journal.note("a")
    wait_for(lambda: whats(path) == ["a"])
    full.set()
    journal.note("b")
    wait_for(lambda: "No space" in journal.trouble)
    full.clear()
    journal.note("c")
    journal.close()
    assert whats(path) == ["a", "c"]
    assert journal.trouble == ""
    assert journal.lost == 1


def test_half_a_line_on_a_full_disk_does_not_spoil_the_next(tmp_path, monkeypatch):
    path = journal_path(tmp_path)
    real, cut = os.write, [False, True]

    def write(descriptor, data):
        return real(descriptor, data[: len(data) // 2] if cut and cut.pop(0) else data)

    monkeypatch.setattr(module.os, "write", write)
    monkeypatch.setattr(module, "_RETRY_S", 0.0)
    written(path, "a", "b", "c")
    assert whats(path) == ["a", "c"]


def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / ".syncbox").write_text("in the way")
    journal = written(journal_path(tmp_path), "a")
    assert "cannot be written" in journal.trouble


def test_a_very_long_journal_is_put_aside(tmp_path, monkeypatch):
    path = journal_path(tmp_path)
    written(path, *"abcdef")
    monkeypatch.setattr(module, "BYTES_MAX", 100)
    written(path, "g")
    assert whats(path) == ["g"]
    assert whats(path.with_suffix(".old")) == list("abcdef")
