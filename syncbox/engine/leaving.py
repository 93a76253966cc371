"""How a helper process learns that it shall leave, and that its host is gone: two things.

A host that wants a child to leave writes the leave note and then ends the child's input. An
input that ends without the note means that the host was killed or crashed. Most children
then leave as well; what the band hears stays (`forsaken`).
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterable

LEAVE = b"\x04\n"  # ASCII "end of transmission", and the end of the line: no other note has it


def told_to_leave(
    heed: Callable[[bytes], None] = lambda _line: None, lines: Iterable[bytes] | None = None
) -> bool:
    """Wait until the host says leave (True) or is gone (False); heed every other whole line."""
    for line in sys.stdin.buffer if lines is None else lines:
        if line == LEAVE:
            return True
        if line.endswith(b"\n"):  # else the host was killed while it wrote
            heed(line)
    return False


class HostWatch:
    """For a helper that is busy: whether there is a host, and whether it wants it to leave."""

    def __init__(self) -> None:
        self.gone = self.told = False
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        self.told = told_to_leave()
        self.gone = True
