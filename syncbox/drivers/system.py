"""Everything that belongs to one operating system, and nothing else.

Each request answers honestly with a `Grant`: whether the system agreed, and if
not, how a person can allow it. None of them raises.

Calls used, all documented by their systems: Linux sched_setscheduler(2),
mlockall(2); macOS thread_policy_set with THREAD_TIME_CONSTRAINT_POLICY
(Technical Note TN2169); Windows AvSetMmThreadCharacteristicsW, SetThreadPriority
and timeBeginPeriod (Microsoft Learn). Other processes are looked after in `processes`.
"""

from __future__ import annotations

import contextlib
import ctypes
import ctypes.util
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# One clock for every process of a machine: CLOCK_MONOTONIC, mach_absolute_time or the
# performance counter. (time.monotonic_ns steps by 15.6 ms on Windows.)
now_ns = time.perf_counter_ns

# Below the audio server's own threads, which run at 10 or more by its default, and below
# every kernel thread that serves an interrupt (50).
ENGINE_PRIORITY = 8
SENDER_PRIORITY = 9

_STEPS_BACK = 10  # of niceness, on POSIX systems

# A sleep is cut short by this much and the rest is spun away: Linux and macOS wake a
# sleeper within 0.1 ms or so, Windows to the millisecond at best.
SPIN_NS = 2_000_000 if sys.platform == "win32" else 250_000

_MCL_CURRENT, _MCL_FUTURE = 1, 2  # <sys/mman.h>
MAPPED_SOUND = ".sound"  # files that the engine maps and the host reads ahead (audio/cache.py)


@dataclass(frozen=True, slots=True)
class Grant:
    """What a system said to one request."""

    asked: str
    granted: bool
    text: str  # one sentence for a person


def ask_for_priority(level: int) -> Grant:
    """Real-time priority for the calling thread; `level` 1 to 49 counts on Linux only."""
    asked = "real-time priority"
    if sys.platform == "linux":
        return _linux_priority(asked, level)
    if sys.platform == "darwin":
        return _mac_priority(asked)
    if sys.platform == "win32":
        return _windows_priority(asked)
    return Grant(asked, False, "this system has no real-time priority that syncbox knows")


def _linux_priority(asked: str, level: int) -> Grant:
    try:
        # 0 is the calling thread here, not the whole process.
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(level))
    except OSError:
        return Grant(
            asked,
            False,
            "normal priority: add '@audio - rtprio 95' and '@audio - memlock unlimited' to "
            "/etc/security/limits.d/audio.conf, join the group audio and log in again",
        )
    return Grant(asked, True, f"real-time priority {level}")


def step_back() -> None:
    """Let this process give way to every other one; nothing happens where that cannot be.

    On Linux a process of SCHED_BATCH does not interrupt the one that runs when it wakes up
    (sched(7)), so it cannot delay an audio server that has no real-time priority.
    """
    with contextlib.suppress(OSError, AttributeError):
        os.nice(_STEPS_BACK)
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))


def ask_for_callback_priority(level: int) -> Grant:
    """The same for a thread that the audio system made to call us back."""
    if sys.platform == "darwin":
        return Grant("real-time priority", True, "real-time priority (Core Audio's own thread)")
    return ask_for_priority(level)


class _TimeConstraint(ctypes.Structure):
    # struct thread_time_constraint_policy, in units of mach_absolute_time
    _fields_ = (
        ("period", ctypes.c_uint32),
        ("computation", ctypes.c_uint32),
        ("constraint", ctypes.c_uint32),
        ("preemptible", ctypes.c_int),
    )


class _Timebase(ctypes.Structure):
    _fields_ = (("numer", ctypes.c_uint32), ("denom", ctypes.c_uint32))


_TIME_CONSTRAINT_POLICY, _TIME_CONSTRAINT_WORDS = 2, 4


def _mac_priority(asked: str, library: Any = None) -> Grant:
    period_ns, computation_ns, constraint_ns = 1_000_000, 200_000, 500_000
    try:
        system = library or ctypes.CDLL(ctypes.util.find_library("System"))
        base = _Timebase()
        system.mach_timebase_info(ctypes.byref(base))

        def units(length_ns: int) -> int:
            return int(length_ns * base.denom // base.numer)

        policy = _TimeConstraint(units(period_ns), units(computation_ns), units(constraint_ns), 1)
        code = system.thread_policy_set(
            system.mach_thread_self(),
            _TIME_CONSTRAINT_POLICY,
            ctypes.byref(policy),
            _TIME_CONSTRAINT_WORDS,
        )
    except (OSError, AttributeError):
        code = -1
    if code:
        return Grant(asked, False, "normal priority: macOS refused a time-constraint thread")
    return Grant(asked, True, "real-time priority (time-constraint thread)")


def _windows_priority(asked: str, library: Any = None) -> Grant:
    task = ctypes.c_ulong(0)
    try:
        loaded = library or ctypes.WinDLL("avrt")  # type: ignore[attr-defined,unused-ignore]
        handle = loaded.AvSetMmThreadCharacteristicsW("Pro Audio", ctypes.byref(task))
    except (OSError, AttributeError):
        handle = 0
    if not handle:
        return Grant(
            asked, False, "normal priority: start the service Multimedia Class Scheduler (MMCSS)"
        )
    return Grant(asked, True, "real-time priority (Multimedia Class Scheduler, Pro Audio)")


def _mappings() -> list[tuple[int, int, str]]:
    """Start, length and file of every readable stretch of this process's memory (Linux)."""
    found = []
    for line in Path("/proc/self/maps").read_text("utf-8").splitlines():
        span, access, _, _, _, *path = line.split(maxsplit=5)
        first, last = (int(end, 16) for end in span.split("-"))
        name = path[0] if path else ""
        if access[0] == "r" and not name.startswith(("[vvar", "[vsyscall")):
            found.append((first, last - first, name))
    return found


def lock_memory() -> Grant:
    """Keep this process's present memory from being swapped out. Call it after loading."""
    asked = "locked memory"
    if sys.platform != "linux":
        return Grant(asked, False, "memory is not locked: syncbox knows no call for it here")
    import resource

    # With a limit, later growth of locked memory would make allocations fail, so
    # future pages are asked for only where there is none.
    unlimited = resource.getrlimit(resource.RLIMIT_MEMLOCK)[0] == resource.RLIM_INFINITY
    flags = _MCL_CURRENT | (_MCL_FUTURE if unlimited else 0)
    library = ctypes.CDLL(None, use_errno=True)
    mapped = _mappings()
    sounds = [each for each in mapped if each[2].endswith(MAPPED_SOUND)]
    if sounds:  # a night of stems is more than any memory: all but them
        refused = any(
            library.mlock(ctypes.c_void_p(start), ctypes.c_size_t(length))
            for start, length, path in mapped
            if not path.endswith(MAPPED_SOUND)
        )
    else:
        refused = bool(library.mlockall(flags))
    if refused:
        return Grant(
            asked,
            False,
            "memory is not locked: add '@audio - memlock unlimited' to "
            "/etc/security/limits.d/audio.conf, join the group audio and log in again",
        )
    return Grant(asked, True, "memory is locked")


@contextlib.contextmanager
def fine_timer() -> Iterator[None]:
    """Sleeps as short as the system can make them, while the context lasts."""
    if sys.platform != "win32":
        yield
        return
    multimedia = ctypes.WinDLL("winmm")
    multimedia.timeBeginPeriod(1)
    try:
        yield
    finally:
        multimedia.timeEndPeriod(1)


def child_options() -> dict[str, Any]:
    """Arguments of subprocess.Popen for a child that the terminal's Ctrl-C does not reach."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}


@contextlib.contextmanager
def quiet_libraries() -> Iterator[None]:
    """Send what C libraries write to the error output nowhere, for the whole process."""
    sys.stderr.flush()
    kept = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def has_alsa_sequencer() -> bool:
    """Whether ALSA MIDI can be opened; asking ALSA itself prints complaints."""
    return sys.platform == "linux" and os.path.exists("/dev/snd/seq")


def has_jack_driver() -> bool:
    """Whether the driver `jack` exists for this system."""
    return sys.platform == "linux"
