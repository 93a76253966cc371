import os
import pty
import sys
import termios

import pytest

from syncbox.cli.keys import Key, Keyboard, keys_in


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        (" ", [Key.SPACE]),
        ("\r", [Key.ENTER]),
        ("\n", [Key.ENTER]),
        ("\x7f", [Key.BACKSPACE]),
        ("\x08", [Key.BACKSPACE]),
        ("\x1b", [Key.ESCAPE]),
        ("\x1b\x1b", [Key.ESCAPE, Key.ESCAPE]),
        # ECMA-48 CUU, CUD, CUF, CUB; xterm sends the second form in application mode.
        ("\x1b[A\x1b[B\x1b[C\x1b[D", [Key.UP, Key.DOWN, Key.RIGHT, Key.LEFT]),
        ("\x1bOA", [Key.UP]),
        ("\x1b[1;5C", [Key.RIGHT]),  # with Ctrl held
        ("\x1b[15~ ", [Key.SPACE]),  # F5 means nothing here, what follows does
        ("qQ", [Key.QUIT, Key.QUIT]),
        ("xyzé", []),
        ("+-", [Key.UP, Key.DOWN]),
        ("\x1b[", []),
        ("", []),
    ],
)
def test_what_a_terminal_sends(text, keys):
    assert keys_in(text) == keys


def test_the_terminal_gives_single_keys_and_is_put_back(monkeypatch):
    master, slave = pty.openpty()
    monkeypatch.setattr(sys, "stdin", os.fdopen(slave, "r"))
    before = termios.tcgetattr(slave)
    with Keyboard() as keyboard:
        assert keyboard.read() == []
        os.write(master, b" \x1b[C")
        assert keyboard.read() == [Key.SPACE, Key.RIGHT]
        assert termios.tcgetattr(slave)[3] & termios.ISIG, "Ctrl-C must stay a signal"
        assert not termios.tcgetattr(slave)[3] & termios.ICANON
    assert termios.tcgetattr(slave) == before
    os.close(master)
    sys.stdin.close()
