"""JACK's callback by its frame numbers, without a server: late, twice in a cycle, set back."""

from types import SimpleNamespace

import numpy as np
import pytest

from syncbox.drivers.jack import Running
from syncbox.engine.records import Pulse

BLOCK = 256


class Port:
    number_of_connections = 0

    def __init__(self):
        self.buffer = np.zeros(BLOCK, np.float32)
        self.written = []

    def get_buffer(self):
        return self.buffer

    def clear_buffer(self):
        self.written.clear()

    def write_midi_event(self, offset, data):
        self.written.append((offset, data))

    def incoming_midi_events(self):
        return iter(())


class Client:
    name, samplerate, blocksize, realtime = "syncbox", 48_000, BLOCK, True
    last_frame_time = 0

    def __init__(self):
        ports = SimpleNamespace(register=lambda _name: Port())
        self.outports = self.midi_outports = self.midi_inports = ports

    def activate(self):
        self.process(BLOCK)

    def set_process_callback(self, process):
        self.process = process

    def set_xrun_callback(self, _):
        pass

    set_shutdown_callback = set_xrun_callback


class Cycle:
    """Renders the number of its block, and a clock."""

    finished, failure, resuming = False, None, False

    def __init__(self):
        self.pulse = Pulse()
        self.log = []

    def now_ns(self):
        return 0

    def begin(self, frame_count, lost, started_ns):
        self.pulse.frame += lost
        self.log.append((self.pulse.frame, lost))
        audio = np.full((1, frame_count), len(self.log), np.float32)
        return SimpleNamespace(audio=audio, midi=[(3, 0, b"\xf8", "clock")])

    def end(self, frame_count, started_ns):
        self.pulse.frame += frame_count

    def sent(self, *_args, **_more):
        pass

    def fail(self, error):
        raise error


@pytest.fixture(params=[0, 2**32 - 3 * BLOCK], ids=["plain", "wrapping"])
def stage(request):
    client, cycle = Client(), Cycle()
    client.last_frame_time = request.param
    rig = SimpleNamespace(ports=[SimpleNamespace(name="out")], input_ports={})
    program = SimpleNamespace(output_count=1, rig=rig, rate=48_000)
    running = Running(client, "server", cycle, program)

    def wake(number):
        client.last_frame_time = (request.param + number * BLOCK) & 0xFFFF_FFFF
        client.process(BLOCK)
        return running._outputs[0].buffer[0], running._midi[0].written

    return wake, cycle.log


def test_frames_follow_the_servers_numbers(stage):
    wake, log = stage
    for number in range(1, 6):
        wake(number)
    assert log == [(number * BLOCK, 0) for number in range(6)]


def test_a_late_callback_skips_what_was_lost(stage):
    wake, log = stage
    wake(1)
    wake(4)
    assert log[-1] == (4 * BLOCK, 2 * BLOCK)


def test_a_second_callback_in_one_cycle_changes_nothing(stage):
    """After being late a client may be woken for a cycle whose block it has played."""
    wake, log = stage
    wake(1)
    first = wake(3)  # woken for cycle 2, when the server was at 3 already
    first_heard = (first[0], list(first[1]))
    assert wake(3) == first_heard
    wake(4)
    assert log == [(0, 0), (BLOCK, 0), (3 * BLOCK, BLOCK), (4 * BLOCK, 0)]
