"""Every error that syncbox raises on purpose, on one screen.

An error says what is wrong, where, and what to try. The exit code that the
command line gives belongs to the error: 1 for a problem in the user's files,
2 when something could not be read, opened or found.
"""

from __future__ import annotations


class SyncboxError(Exception):
    """Base of all errors with a message written for the person at the keys."""

    exit_code = 2

    def __init__(self, what: str, *, where: str = "", hint: str = "") -> None:
        """What is wrong, where (file:line:column, port, device), and what to do instead."""
        self.what, self.where, self.hint = what, where, hint
        super().__init__(what)

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        advice = f" ({self.hint})" if self.hint else ""
        return f"{place}{self.what}{advice}"


class ShowError(SyncboxError):
    """The show's files have problems; `check` lists them all."""

    exit_code = 1


class UnreadableError(SyncboxError):
    """A file or folder could not be read at all."""


class DeviceError(SyncboxError):
    """An audio device, a MIDI port or a driver is missing or refused."""


class EngineError(SyncboxError):
    """The engine process died or does not answer."""


class RingFullError(SyncboxError):
    """A bounded queue between processes has no room left."""


class BusyError(SyncboxError):
    """The show is being played already, by another process; `pid` is its number, 0 unknown."""

    def __init__(self, pid: int) -> None:
        """Say how to get at it."""
        self.pid = pid
        which = f" (process {pid})" if pid else ""
        super().__init__(
            f"this show is being played already, from another window{which}",
            hint="go back to that window; if it does not answer, end that process by force "
            "and run this again: the music plays on meanwhile",
        )


class TransportError(SyncboxError):
    """A trigger that means nothing in the present state; nothing was changed."""

    exit_code = 1
