from __future__ import annotations

import os
import signal
import subprocess
import sys
from types import SimpleNamespace

import pytest

from syncbox.drivers import processes
from syncbox.drivers.processes import lock, runtime_folder, watch

posix_only = pytest.mark.skipif(os.name != "posix", reason="as POSIX systems do")
ASLEEP = [sys.executable, "-c", "import time; time.sleep(60)"]


@pytest.fixture
def sleeper():
    process = subprocess.Popen(ASLEEP)
    yield process
    process.kill()
    process.wait()


def wait_until_ended(process):
    os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)  # and stays a zombie


@posix_only
@pytest.mark.parametrize("how", [watch, processes._ByNumber])
def test_a_process_lives_until_it_ends_and_a_zombie_is_dead(sleeper, how):
    watched = how(sleeper.pid)
    assert watched.alive
    watched.kill()
    wait_until_ended(sleeper)
    assert not watched.alive
    again = how(sleeper.pid)
    assert not again.alive
    sleeper.wait()
    assert not watched.alive
    assert not how(sleeper.pid).alive
    for each in (watched, again):
        each.kill()
        each.close()
        each.close()


@posix_only
def test_one_that_is_stopped_lives(sleeper):
    watched = watch(sleeper.pid)
    sleeper.send_signal(signal.SIGSTOP)
    assert watched.alive
    watched.close()
    assert not watched.alive  # let go of


@pytest.mark.parametrize("pid", [0, -1, 2**30])
def test_nobody(pid):
    nobody = watch(pid)
    assert not nobody.alive
    nobody.kill()
    nobody.close()


class FakeQueue:
    def __init__(self):
        self.ended = False

    def control(self, changes, count, patience_s=None):
        if changes is not None and changes[0].pid == 404:
            raise ProcessLookupError
        return ["ended"] if self.ended and count else []

    def close(self):
        pass


def test_what_is_asked_of_macos():
    queue = FakeQueue()
    kernel = SimpleNamespace(
        kqueue=lambda: queue,
        kevent=lambda pid, **how: SimpleNamespace(pid=pid, **how),
        KQ_FILTER_PROC=-5,
        KQ_EV_ADD=1,
        KQ_NOTE_EXIT=0x80000000,
    )
    watched = processes._ByEvent(1234, kernel)
    assert watched.alive
    queue.ended = True
    assert not watched.alive
    queue.ended = False  # it is told once
    assert not watched.alive
    watched.kill()  # whoever has the number now is spared
    with pytest.raises(ProcessLookupError):
        processes._ByEvent(404, kernel)


class FakeKernel:
    """Of Windows. Values: WAIT_TIMEOUT 0x102, WAIT_OBJECT_0 0 (Microsoft Learn)."""

    def __init__(self):
        self.alive, self.asked, self.closed = True, 0, []

    def OpenProcess(self, access, inherit, pid):  # noqa: N802
        self.asked = access
        return 0 if pid == 404 else 77

    def WaitForSingleObject(self, handle, patience_ms):  # noqa: N802
        assert (handle, patience_ms) == (77, 0)
        return 0x102 if self.alive else 0

    def TerminateProcess(self, handle, code):  # noqa: N802
        self.alive = False

    def CloseHandle(self, handle):  # noqa: N802
        self.closed.append(handle)


def test_what_is_asked_of_windows():
    kernel = FakeKernel()
    watched = processes._ByHandle(1234, kernel)
    assert kernel.asked == 0x0010_0001  # SYNCHRONIZE and PROCESS_TERMINATE
    assert watched.alive
    watched.kill()
    assert not watched.alive
    watched.close()
    watched.close()
    assert kernel.closed == [77]
    with pytest.raises(ProcessLookupError):
        processes._ByHandle(404, kernel)


LOCKER = """
import os, sys
from syncbox.drivers.processes import lock
descriptor = os.open(sys.argv[1], os.O_RDWR)
print(lock(descriptor), flush=True)
sys.stdin.read()
"""


def test_a_lock_lasts_as_long_as_its_process(tmp_path):
    path = tmp_path / "file"
    path.write_bytes(b"")
    descriptor = os.open(path, os.O_RDWR)
    holder = subprocess.Popen(
        [sys.executable, "-c", LOCKER, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout.readline() == "True\n"
    assert not lock(descriptor)
    holder.kill()
    holder.communicate()
    assert lock(descriptor)
    os.close(descriptor)


@posix_only
def test_the_runtime_folder_is_the_users_own(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    assert runtime_folder() == tmp_path / "syncbox"
    assert runtime_folder().stat().st_mode & 0o777 == 0o700
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "not there"))
    monkeypatch.setattr(processes.tempfile, "gettempdir", lambda: str(tmp_path))
    own = runtime_folder()
    assert own == tmp_path / f"syncbox-{os.getuid()}"
    own.rmdir()
    own.symlink_to(tmp_path)  # somebody has been here before us
    with pytest.raises(OSError, match="somebody else"):
        runtime_folder()
