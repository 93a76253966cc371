from __future__ import annotations

import os
import subprocess
import sys
import threading

import pytest

from syncbox.drivers import system
from syncbox.drivers.system import _mac_priority, _windows_priority


class MacLibrary:
    """Notes what the calls of TN2169 are given. One unit of its time is 125/3 ns."""

    def __init__(self, answer):
        self.answer = answer
        self.policy = ()

    def mach_timebase_info(self, reference):
        reference._obj.numer, reference._obj.denom = 125, 3
        return 0

    def mach_thread_self(self):
        return 77

    def thread_policy_set(self, thread, flavour, reference, words):
        found = reference._obj
        sizes = (found.period, found.computation, found.constraint, found.preemptible)
        self.policy = (thread, flavour, words, sizes)
        return self.answer


def test_macos_is_asked_in_its_own_units():
    library = MacLibrary(0)
    grant = _mac_priority("real-time priority", library)
    assert grant.granted
    # THREAD_TIME_CONSTRAINT_POLICY is 2 and has 4 words (<mach/thread_policy.h>, from memory)
    assert library.policy == (77, 2, 4, (24_000, 4_800, 12_000, 1))


def test_macos_may_refuse():
    grant = _mac_priority("real-time priority", MacLibrary(4))
    assert not grant.granted
    assert "normal priority" in grant.text


class WindowsLibrary:
    def __init__(self, handle):
        self.handle = handle
        self.asked = ""

    def AvSetMmThreadCharacteristicsW(self, task, index):  # noqa: N802  the system's own name
        self.asked = task
        return self.handle


def test_windows_is_asked_for_its_audio_class():
    library = WindowsLibrary(5)
    assert _windows_priority("real-time priority", library).granted
    assert library.asked == "Pro Audio"


def test_windows_may_refuse():
    grant = _windows_priority("real-time priority", WindowsLibrary(0))
    assert not grant.granted
    assert "MMCSS" in grant.text


@pytest.mark.skipif(sys.platform != "linux", reason="Linux's own call")
def test_linux_grants_to_this_thread_alone_or_says_how():
    answers = []

    def ask():
        grant = system.ask_for_priority(system.ENGINE_PRIORITY)
        answers.append((grant, os.sched_getscheduler(0)))

    thread = threading.Thread(target=ask)
    thread.start()
    thread.join()
    grant, policy = answers[0]
    assert grant.granted == (policy == os.SCHED_FIFO)
    assert grant.granted or "rtprio" in grant.text
    assert os.sched_getscheduler(0) == os.SCHED_OTHER


@pytest.mark.skipif(sys.platform != "linux", reason="Linux's own limits")
def test_a_refused_lock_says_how_to_allow_it():
    """In a process that may lock nothing."""
    code = (
        "import resource, os\n"
        "resource.setrlimit(resource.RLIMIT_MEMLOCK, (0, 0))\n"
        "if os.geteuid() == 0: os.setuid(65534)\n"
        "print(lock_memory())\n"
    )
    program = "from syncbox.drivers.system import lock_memory\n" + code
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert "granted=False" in done.stdout
    assert "memlock" in done.stdout


def test_noise_of_c_libraries_goes_nowhere(capfd):
    with system.quiet_libraries():
        os.write(2, b"cannot open the sequencer\n")
    os.write(2, b"heard\n")
    assert capfd.readouterr().err == "heard\n"


def test_a_fine_timer_can_be_asked_for_anywhere():
    with system.fine_timer():
        before_ns = system.now_ns()
    assert system.now_ns() >= before_ns


def test_ctrl_c_does_not_reach_a_child():
    with subprocess.Popen(
        [sys.executable, "-c", "import os; print(os.getpgid(0) == os.getpid())"],
        stdout=subprocess.PIPE,
        text=True,
        **system.child_options(),
    ) as child:
        out, _ = child.communicate()
    assert sys.platform == "win32" or out == "True\n"


@pytest.mark.skipif(sys.platform != "linux", reason="a scheduler of Linux")
def test_a_process_that_steps_back_neither_goes_first_nor_interrupts():
    code = (
        "import os; from syncbox.drivers import system; before = os.nice(0); system.step_back(); "
        "print(os.sched_getscheduler(0) == os.SCHED_BATCH, os.nice(0) >= min(19, before + 10))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "True"]
