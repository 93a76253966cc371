from __future__ import annotations

import io

from syncbox.engine.leaving import LEAVE, told_to_leave


def test_a_host_that_says_leave():
    heard = []
    assert told_to_leave(heard.append, io.BytesIO(b"open\n" + LEAVE + b"never read\n"))
    assert heard == [b"open\n"]


def test_a_host_that_is_gone():
    heard = []
    assert not told_to_leave(heard.append, io.BytesIO(b"open\nhalf a li"))
    assert heard == [b"open\n"]
    assert not told_to_leave(lines=io.BytesIO())
