"""Keys that a musician finds in the dark, and how they come from a terminal.

Everything that differs between systems is in `Keyboard`; what the bytes of a
terminal mean is a pure function.
"""

from __future__ import annotations

import contextlib
import sys
from enum import Enum
from types import TracebackType
from typing import Self


class Key(Enum):
    """A key that `run` listens to; the value is its name on the screen."""

    SPACE = "Space"
    ENTER = "Enter"
    BACKSPACE = "Backspace"
    ESCAPE = "Esc"
    LEFT = "Left"
    RIGHT = "Right"
    UP = "Up"
    DOWN = "Down"
    QUIT = "Q"
    NOTE = "N"
    TAKE = "T"
    GIVE = "G"


_OF_CHARACTER = {
    " ": Key.SPACE,
    "\r": Key.ENTER,
    "\n": Key.ENTER,
    "\x7f": Key.BACKSPACE,
    "\x08": Key.BACKSPACE,
    "\x1b": Key.ESCAPE,
    "+": Key.UP,
    "=": Key.UP,  # the same key as + on most layouts, without shift
    "-": Key.DOWN,
    "q": Key.QUIT,
    "Q": Key.QUIT,
    "n": Key.NOTE,
    "N": Key.NOTE,
    "t": Key.TAKE,
    "T": Key.TAKE,
    "g": Key.GIVE,
    "G": Key.GIVE,
}
# Final letter of ECMA-48 cursor sequences, after ESC [ or ESC O.
_OF_CURSOR_LETTER = {"A": Key.UP, "B": Key.DOWN, "C": Key.RIGHT, "D": Key.LEFT}
# Second character of msvcrt's two-character keys, after NUL or 0xE0.
_OF_WINDOWS_CODE = {"H": Key.UP, "P": Key.DOWN, "M": Key.RIGHT, "K": Key.LEFT}


def keys_in(text: str) -> list[Key]:
    """Keys in what one read of a POSIX terminal gave; keys without a meaning are left out.

    An escape sequence arrives whole in one read, so an ESC that begins none is the Esc key.
    """
    keys, at = [], 0
    while at < len(text):
        if text[at] == "\x1b" and text[at + 1 : at + 2] in ("[", "O"):
            end = at + 2
            while end < len(text) and not "@" <= text[end] <= "~":  # parameters, then one final
                end += 1
            key = _OF_CURSOR_LETTER.get(text[end : end + 1])
            at = end + 1
        else:
            key = _OF_CHARACTER.get(text[at])
            at += 1
        if key is not None:
            keys.append(key)
    return keys


def has_keyboard() -> bool:
    """Whether standard input is a terminal that keys can come from."""
    return bool(sys.stdin and sys.stdin.isatty())


if sys.platform == "win32":
    import msvcrt

    class Keyboard:
        """Single keys from the console, without waiting."""

        def __enter__(self) -> Self:
            return self

        def __exit__(
            self,
            kind: type[BaseException] | None,
            error: BaseException | None,
            trace: TracebackType | None,
        ) -> None:
            return None

        def read(self) -> list[Key]:
            """Keys pressed since the last call, in order."""
            keys = []
            while msvcrt.kbhit():
                character = msvcrt.getwch()
                if character in ("\x00", "\xe0"):
                    key = _OF_WINDOWS_CODE.get(msvcrt.getwch())
                else:
                    key = _OF_CHARACTER.get(character)
                if key is not None:
                    keys.append(key)
            return keys

else:
    import os
    import select
    import termios
    import tty

    class Keyboard:
        """Single keys from the terminal, without waiting; the terminal is put back on leaving.

        Ctrl-C still raises SIGINT: the terminal's own signal keys stay on.
        """

        def __enter__(self) -> Self:
            self._fd = sys.stdin.fileno()
            self._before = termios.tcgetattr(self._fd)
            tty.setcbreak(self._fd)
            return self

        def __exit__(
            self,
            kind: type[BaseException] | None,
            error: BaseException | None,
            trace: TracebackType | None,
        ) -> None:
            with contextlib.suppress(termios.error):  # the terminal may have gone away
                termios.tcsetattr(self._fd, termios.TCSADRAIN, self._before)

        def read(self) -> list[Key]:
            """Keys pressed since the last call, in order."""
            if not select.select([self._fd], [], [], 0)[0]:
                return []
            try:
                data = os.read(self._fd, 1024)
            except OSError:  # the terminal went away; the signal that says so comes by itself
                return []
            return keys_in(data.decode("utf-8", errors="replace"))
