"""Processes that are not our children: whether they live, to end them, who has a file locked.

A process number alone is not enough: the system gives it away again. So a process is held by
what its system has for that, and one that has ended stays dead whoever gets its number.
A zombie, which has ended and only waits for its parent to take note, is dead.

Calls used: Linux pidfd_open(2), pidfd_send_signal(2); macOS and BSD kqueue(2) with EVFILT_PROC;
Windows OpenProcess, WaitForSingleObject, TerminateProcess (Microsoft Learn). `os.kill(pid, 0)`,
which asks on POSIX systems, ends the process on Windows. Locks: flock(2), _locking.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import signal
import sys
import tempfile
from pathlib import Path
from typing import Any, Protocol

_SYNCHRONIZE, _TERMINATE, _WAIT_TIMEOUT = 0x0010_0000, 0x0001, 0x0102  # <winnt.h>, <winbase.h>
_TAKEN = (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
_LOCK_PLACE = 1 << 30  # Windows keeps everybody from what is locked: nothing is there


class Watched(Protocol):
    """One process."""

    @property
    def alive(self) -> bool: ...
    def kill(self) -> None:
        """End it now. Nothing happens if it has ended."""

    def close(self) -> None:
        """Let go of it. Safe to repeat."""


def watch(pid: int) -> Watched:
    """The process of a number at this moment; a dead one if there is none."""
    if pid <= 0:
        return _Nobody()
    try:
        if sys.platform == "win32":
            return _ByHandle(pid)
        if hasattr(os, "pidfd_open"):
            return _ByDescriptor(pid)
        if hasattr(select, "kqueue"):
            return _ByEvent(pid, select)
    except ProcessLookupError:
        return _Nobody()
    except OSError:  # a kernel from before these calls, or somebody else's process
        pass
    return _ByNumber(pid)


def lives(pid: int) -> bool:
    """Whether there is a process of this number now."""
    process = watch(pid)
    alive = process.alive
    process.close()
    return alive


class _Nobody:
    alive = False

    def kill(self) -> None:
        pass

    def close(self) -> None:
        pass


class _ByDescriptor:
    """Linux: a descriptor that can be read once the process has ended."""

    def __init__(self, pid: int) -> None:
        self._descriptor = os.pidfd_open(pid)

    @property
    def alive(self) -> bool:
        if self._descriptor < 0:
            return False
        poll = select.poll()
        poll.register(self._descriptor, select.POLLIN)
        return not poll.poll(0)

    def kill(self) -> None:
        with contextlib.suppress(OSError):
            signal.pidfd_send_signal(self._descriptor, signal.SIGKILL)

    def close(self) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


class _ByEvent:
    """macOS: a queue that gets one event when the process ends; `kernel` is module select."""

    def __init__(self, pid: int, kernel: Any) -> None:
        self._pid = pid
        self._queue = kernel.kqueue()
        self._ended = False
        event = kernel.kevent(
            pid,
            filter=kernel.KQ_FILTER_PROC,
            flags=kernel.KQ_EV_ADD,
            fflags=kernel.KQ_NOTE_EXIT,
        )
        try:
            self._queue.control([event], 0, 0)
        except OSError:
            self._queue.close()
            raise

    @property
    def alive(self) -> bool:
        if not self._ended:
            self._ended = bool(self._queue.control(None, 1, 0))
        return not self._ended

    def kill(self) -> None:
        if self.alive:
            with contextlib.suppress(OSError):
                os.kill(self._pid, signal.SIGKILL)

    def close(self) -> None:
        self._ended = True
        self._queue.close()


class _ByHandle:
    """Windows: a handle; `library` is kernel32."""

    def __init__(self, pid: int, library: Any = None) -> None:
        self._kernel = library or _kernel32()
        self._handle = self._kernel.OpenProcess(_SYNCHRONIZE | _TERMINATE, False, pid)
        if not self._handle:
            raise ProcessLookupError(pid)

    @property
    def alive(self) -> bool:
        handle = self._handle
        return bool(handle) and self._kernel.WaitForSingleObject(handle, 0) == _WAIT_TIMEOUT

    def kill(self) -> None:
        if self._handle:
            self._kernel.TerminateProcess(self._handle, 1)

    def close(self) -> None:
        if self._handle:
            self._kernel.CloseHandle(self._handle)
            self._handle = None


def _kernel32() -> Any:
    import ctypes

    library = ctypes.WinDLL("kernel32", use_last_error=True)  # type: ignore[attr-defined,unused-ignore]
    library.OpenProcess.restype = ctypes.c_void_p
    for call in (library.WaitForSingleObject, library.TerminateProcess):
        call.argtypes = [ctypes.c_void_p, ctypes.c_uint32]
    library.CloseHandle.argtypes = [ctypes.c_void_p]
    return library


class _ByNumber:
    """Where a POSIX system has nothing better."""

    def __init__(self, pid: int) -> None:
        self._pid = pid

    @property
    def alive(self) -> bool:
        try:
            os.kill(self._pid, 0)
        except ProcessLookupError:
            return False
        except OSError:
            return True  # somebody else's
        return _state_letter(self._pid) not in ("Z", "X")

    def kill(self) -> None:
        with contextlib.suppress(OSError):
            os.kill(self._pid, signal.SIGKILL)

    def close(self) -> None:
        pass


def _state_letter(pid: int) -> str:
    """R, S, Z... where there is /proc; it follows the name, which may have brackets in it."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text("utf-8", errors="replace")
    except OSError:
        return ""
    return text.rpartition(")")[2].split()[0]


def runtime_folder() -> Path:
    """The user's own folder for what concerns this computer until it is switched off.

    Made if it is not there. Raises OSError when it cannot be, or belongs to somebody else.
    """
    if sys.platform == "win32":
        folder = Path(tempfile.gettempdir()) / "syncbox"
        folder.mkdir(exist_ok=True)
        return folder
    user = os.getuid()
    own = Path(os.environ.get("XDG_RUNTIME_DIR") or f"/run/user/{user}")
    if own.is_dir() and os.access(own, os.W_OK):
        folder = own / "syncbox"
    else:
        folder = Path(tempfile.gettempdir()) / f"syncbox-{user}"
    folder.mkdir(mode=0o700, exist_ok=True)
    found = folder.lstat()
    if found.st_uid != user or not folder.is_dir() or folder.is_symlink():
        raise PermissionError(13, "it belongs to somebody else", str(folder))
    return folder


def lock(descriptor: int) -> bool:
    """Lock an open file until its descriptor is closed or this process ends, however it ends.

    False: another process has it. Raises OSError where files cannot be locked.
    """
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(descriptor, _LOCK_PLACE, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _TAKEN:
            return False
        raise
    return True
