from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from building import program_of, section, song
from listening import wait_for

from syncbox.drivers.choose import choose
from syncbox.drivers.recorder import RecordJob, TakeRecorder
from syncbox.drivers.session import open_session
from syncbox.engine.transport import Command
from syncbox.errors import DeviceError

pytestmark = pytest.mark.jack


def test_a_take_lies_on_the_engines_frames(jack_server: str, tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    program = program_of(song(section("A", 1), tempo=240))
    choice = choose("jack", jack_server, rate=48_000)
    with open_session(program, choice, level_db=0.0, soft_start=False) as session:
        recorder = TakeRecorder(RecordJob(jack_server, ("syncbox:out_1",), str(path)))
        session.press(Command.START)
        while not (status := session.status()).now.sets_over:
            pass
        recorded = recorder.finish()
        clocks = [
            event.frame for event in session.sent() if (event.why, event.port) == ("clock", 0)
        ]
        zero = status.audio_frame_zero
    sound, rate = soundfile.read(path)
    assert rate == recorded.rate == 48_000
    assert len(sound) == recorded.frames
    assert soundfile.info(path).subtype == "PCM_24"
    loud = np.flatnonzero(np.abs(sound) > 0)
    begins = loud[np.flatnonzero(np.diff(loud, prepend=-10_000) > 1000)]
    on_the_engines_clock = begins + recorded.first_frame_time - zero
    if not (recorded.lost_frames or status.dropouts or status.xruns):
        assert on_the_engines_clock.tolist() == clocks[::24]


def test_a_port_that_is_not_there_is_named(jack_server: str, tmp_path: Path) -> None:
    job = RecordJob(jack_server, ("nowhere:in",), str(tmp_path / "take.wav"))
    with pytest.raises(DeviceError, match="no audio input is called nowhere:in"):
        TakeRecorder(job)
    assert not Path(job.path).exists()


HOST = """
import sys, time
from syncbox.drivers.recorder import RecordJob, TakeRecorder
TakeRecorder(RecordJob(sys.argv[1], ("tone:out",), sys.argv[2]))
print("recording", flush=True)
time.sleep(60)
"""


@contextmanager
def constant_tone(server: str) -> Iterator[Any]:
    """A JACK client whose port tone:out gives a quarter of full scale."""
    import jack

    tone = jack.Client("tone", no_start_server=True, servername=server)
    port = tone.outports.register("out")

    @tone.set_process_callback
    def process(frames: int) -> None:
        port.get_array()[:] = 0.25

    with tone:
        yield tone


def test_a_take_is_readable_after_its_host_was_killed(jack_server: str, tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    with constant_tone(jack_server) as tone:
        host = subprocess.Popen(
            [sys.executable, "-c", HOST, jack_server, str(path)], stdout=subprocess.PIPE
        )
        assert host.stdout
        assert host.stdout.readline() == b"recording\n"
        time.sleep(1)
        host.kill()
        host.communicate()
        wait_for(lambda: not any(p.name.startswith("syncbox-take") for p in tone.get_ports()))
    sound, rate = soundfile.read(path)
    assert rate == 48_000
    assert len(sound) > 24_000
    assert np.median(sound) == pytest.approx(0.25, abs=1e-5)


def test_a_full_disk_ends_the_take_and_says_so(jack_server: str, tmp_path: Path) -> None:
    """A limit of the file's size stands in for the disk: both refuse what goes beyond."""
    resource = pytest.importorskip("resource", reason="this system limits no processes")
    if not hasattr(resource, "prlimit"):
        pytest.skip("this system does not limit other processes")
    path = tmp_path / "take.wav"
    with constant_tone(jack_server):
        recorder = TakeRecorder(RecordJob(jack_server, ("tone:out",), str(path)))
        resource.prlimit(recorder._child.pid, resource.RLIMIT_FSIZE, (100_000, 100_000))
        wait_for(lambda: not recorder.alive)
        with pytest.raises(DeviceError, match="nothing more can be written") as said:
            recorder.finish()
    recorder.abandon()
    assert said.value.where == str(path)
    assert soundfile.info(path).frames > 0
