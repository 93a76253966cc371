"""The recorder without a server: gaps, cycles that come twice, numbers that wrap around."""

from dataclasses import dataclass, field

import numpy as np
import pytest

from syncbox.lab.listener import ListenJob, Recorder

BLOCK = 256


@dataclass
class Port:
    events: list = field(default_factory=list)
    value: float = 0.0

    def get_array(self):
        return np.full(BLOCK, self.value, np.float32)

    def incoming_midi_events(self):
        return iter(self.events)


class Ports(list):
    def register(self, name):
        self.append(Port())
        return self[-1]


class Client:
    samplerate, blocksize, realtime = 48_000, BLOCK, True

    def __init__(self, frame_time):
        self.last_frame_time = self.frame_time = frame_time
        self.inports, self.midi_inports = Ports(), Ports()


@pytest.fixture(params=[5_000, 2**32 - 3 * BLOCK], ids=["plain", "wrapping"])
def stage(request):
    client = Client(request.param)
    return client, Recorder(client, ListenJob("", ("a",), ("m",), 1.0, ""))


def cycle(stage, number, value=0.0, offsets=()):
    """The callback in the cycle of this number, counted from the first one heard."""
    client, recorder = stage
    start = recorder.first_frame_time if recorder.first_frame_time >= 0 else client.frame_time
    client.last_frame_time = (start + number * BLOCK) & 0xFFFF_FFFF
    client.inports[0].value = value
    client.midi_inports[0].events = [(offset, b"\xf8") for offset in offsets]
    recorder.process(BLOCK)


def heard(stage):
    return stage[1].result(cable=False)


def test_blocks_lie_where_the_server_counts_them(stage):
    for number in range(6):
        cycle(stage, number, value=float(number == 4), offsets=[10] if number in (1, 5) else [])
    found = heard(stage)
    assert found["clicks_0"].tolist() == [4 * BLOCK]
    assert found["midi"][:, 0].tolist() == [BLOCK + 10, 5 * BLOCK + 10]
    assert not len(found["gaps"])


def test_a_missed_cycle_is_a_gap_and_moves_nothing(stage):
    for number in (0, 1, 4, 5):
        cycle(stage, number, value=float(number == 5), offsets=[3] if number == 5 else [])
    found = heard(stage)
    assert found["gaps"].tolist() == [[2 * BLOCK, 2 * BLOCK]]
    assert found["clicks_0"].tolist() == [5 * BLOCK]
    assert found["midi"][:, 0].tolist() == [5 * BLOCK + 3]


def test_a_cycle_that_comes_twice_counts_once_and_moves_nothing(stage):
    cycle(stage, 0)
    cycle(stage, 1, offsets=[7])
    cycle(stage, 1, offsets=[9])  # what is heard the second time is the cycle's own
    cycle(stage, 2, value=1.0, offsets=[5])
    found = heard(stage)
    assert found["midi"][:, 0].tolist() == [BLOCK + 9, 2 * BLOCK + 5]
    assert found["clicks_0"].tolist() == [2 * BLOCK]
    assert found["frames"] == 3 * BLOCK
    assert not len(found["gaps"])


def test_when_there_is_no_room_left_it_says_so(stage):
    for number in range(48_000 // BLOCK + 3):
        cycle(stage, number)
    assert heard(stage)["full"]
