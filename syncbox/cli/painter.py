"""Puts lines on a terminal without flicker: only those that changed are written."""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType
from typing import Self

from rich.console import Console
from rich.control import Control
from rich.text import Text


class Painter:
    """The terminal's other page, with the cursor hidden; both are put back on leaving."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._shown: list[Text] = []

    def __enter__(self) -> Self:
        self._console.set_alt_screen(True)
        self._console.show_cursor(False)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._console.show_cursor(True)
        self._console.set_alt_screen(False)

    def size(self) -> tuple[int, int]:
        """Columns and rows now; the window may have changed."""
        return self._console.size.width, self._console.size.height

    def show(self, lines: Sequence[Text]) -> None:
        """Write what differs from the lines shown before, in one go."""
        shown = self._shown
        if len(shown) != len(lines) or shown[0].cell_len != lines[0].cell_len:
            self._console.clear()
            shown = []
        with self._console:  # holds everything back until the end of the block
            for row, line in enumerate(lines):
                if row < len(shown) and shown[row] == line and shown[row].spans == line.spans:
                    continue
                self._console.control(Control.move_to(0, row))
                self._console.print(line, end="", overflow="crop", no_wrap=True)
        self._shown = list(lines)
