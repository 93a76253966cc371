"""Every way to be told to leave: Ctrl-C, SIGTERM, a closed terminal."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

# SIGHUP: the terminal window was closed. Windows has no such signal.
_SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


class Leaving:
    """Whether somebody wants us to leave.

    While nothing plays yet, the wish interrupts what is being done. Once the music
    runs (`calm`), it only sets the flag, and the loop that plays leaves in good order.
    """

    def __init__(self) -> None:
        self.asked_by: signal.Signals | None = None
        self.calm = False

    def __call__(self, number: int, _frame: FrameType | None) -> None:
        """The signal handler."""
        self.asked_by = signal.Signals(number)
        if not self.calm:
            raise KeyboardInterrupt


@contextmanager
def leaving() -> Iterator[Leaving]:
    """Listen to all of them, in the main thread; what was there before is put back."""
    wish = Leaving()
    before = {number: signal.signal(number, wish) for number in _SIGNALS}
    try:
        yield wish
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def exit_code(wish: Leaving) -> int:
    """That of a command that somebody may have told to leave: 128 and the signal, else 0."""
    return 128 + wish.asked_by if wish.asked_by else 0
