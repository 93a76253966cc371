from __future__ import annotations

import os
import signal
import struct
import subprocess
import sys
from collections import deque

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.engine.shared import (
    Board,
    Ring,
    Segment,
    load_copy,
    load_object,
    new_name,
    remove_segment,
    share_object,
)
from syncbox.errors import EngineError


def ring_in_memory(capacity: int, payload_bytes: int) -> tuple[Ring, Ring, bytearray]:
    memory = bytearray(Ring.size(capacity=capacity, payload_bytes=payload_bytes))
    sides = [
        Ring(memoryview(memory), capacity=capacity, payload_bytes=payload_bytes) for _ in range(2)
    ]
    return sides[0], sides[1], memory


@given(
    capacity=st.integers(1, 9),
    payload_bytes=st.integers(1, 40),
    steps=st.lists(st.one_of(st.none(), st.binary(max_size=40)), max_size=200),
)
def test_a_ring_is_a_bounded_queue(capacity, payload_bytes, steps):
    writer, reader, _ = ring_in_memory(capacity, payload_bytes)
    model: deque[bytes] = deque()
    refused = 0
    for step in steps:
        if step is None:
            assert reader.pop() == (model.popleft() if model else None)
            continue
        payload = step[:payload_bytes].ljust(payload_bytes, b"\0")
        accepted = writer.push(payload)
        assert accepted == (len(model) < capacity)
        if accepted:
            model.append(payload)
        refused += not accepted
    assert writer.refused == reader.refused == refused
    while model:
        assert reader.pop() == model.popleft()
    assert reader.pop() is None


@given(damaged=st.integers(0, 11), bit=st.integers(0, 7))
def test_a_half_written_record_is_not_there_yet(damaged, bit):
    writer, reader, memory = ring_in_memory(3, 8)
    writer.push(b"first..!")
    place = len(memory) - 3 * 16 + damaged
    memory[place] ^= 1 << bit
    assert reader.pop() is None
    memory[place] ^= 1 << bit
    assert reader.pop() == b"first..!"


def test_a_record_of_an_earlier_lap_does_not_pass_for_a_new_one():
    writer, reader, memory = ring_in_memory(1, 8)
    writer.push(b"same...!")
    before = bytes(memory[-16:])
    assert reader.pop() == b"same...!"
    writer.push(b"same...!")
    assert bytes(memory[-16:]) != before
    memory[-16:] = before
    assert reader.pop() is None


def test_a_new_writer_and_reader_carry_on_where_the_old_ones_stopped():
    writer, reader, memory = ring_in_memory(4, 8)
    for number in range(6):
        writer.push(struct.pack("<q", number))
        if number < 3:
            reader.pop()
    again = Ring(memoryview(memory), capacity=4, payload_bytes=8)
    assert [struct.unpack("<q", again.pop() or b"")[0] for _ in range(3)] == [3, 4, 5]


@given(snapshots=st.lists(st.binary(min_size=16, max_size=16), min_size=1, max_size=20))
def test_a_board_shows_the_newest_snapshot(snapshots):
    memory = bytearray(Board.size(payload_bytes=16))
    writer = Board(memoryview(memory), payload_bytes=16)
    reader = Board(memoryview(memory), payload_bytes=16)
    assert reader.read() is None
    for snapshot in snapshots:
        writer.publish(snapshot)
        assert reader.read() == snapshot
    assert Board(memoryview(memory), payload_bytes=16).read() == snapshots[-1]


@given(damaged=st.integers(0, 19))
def test_a_writer_that_died_in_the_middle_leaves_the_snapshot_before(damaged):
    memory = bytearray(Board.size(payload_bytes=16))
    writer = Board(memoryview(memory), payload_bytes=16)
    writer.publish(b"the one before..")
    writer.publish(b"the broken one..")
    memory[damaged] ^= 0x55  # snapshot 2 lies in the first slot
    assert Board(memoryview(memory), payload_bytes=16).read() == b"the one before.."


WRITER = """
import struct, sys
from syncbox.engine.shared import Board, Ring, Segment
segment = Segment.attach(sys.argv[1])
ring = Ring(segment.view(0, 8192), capacity=64, payload_bytes=32)
board = Board(segment.view(8192, 4096), payload_bytes=800)
number = 0
while number < 20_000:
    board.publish(struct.pack("<q", number) * 100)
    if ring.push(struct.pack("<4q", *range(number, number + 4))):
        number += 1
ring.release(); board.release(); segment.close()
"""


def test_two_processes_lose_nothing_and_see_no_torn_snapshot():
    segment = Segment.create(16384)
    ring = Ring(segment.view(0, 8192), capacity=64, payload_bytes=32)
    board = Board(segment.view(8192, 4096), payload_bytes=800)
    command = [sys.executable, "-c", WRITER, segment.name]
    seen, newest = 0, -1
    with subprocess.Popen(command, stderr=subprocess.PIPE) as child:
        while seen < 20_000:
            payload = ring.pop()
            if payload is not None:
                assert struct.unpack("<4q", payload) == tuple(range(seen, seen + 4))
                seen += 1
            elif child.poll() not in (None, 0):
                pytest.fail((child.stderr and child.stderr.read().decode()) or "writer died")
            snapshot = board.read()
            if snapshot is not None:
                words = set(struct.unpack("<100q", snapshot))
                assert len(words) == 1
                assert max(words) >= newest
                newest = max(words)
        _, noise = child.communicate()
        assert noise == b""
    ring.release()
    board.release()
    # The attached process has ended, yet the memory is still there for its creator.
    Segment.attach(segment.name).close()
    segment.close()
    with pytest.raises(EngineError, match="gone"):
        Segment.attach(segment.name)


KILLED = """
import os, signal, sys
from syncbox.engine.shared import Segment
segment = Segment.create(4096)
print(segment.name, flush=True)
sys.stdin.readline()
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(os.name != "posix", reason="killing a process this way is POSIX")
def test_a_killed_creator_leaves_no_memory_behind():
    with subprocess.Popen(
        [sys.executable, "-c", KILLED],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout
        name = child.stdout.readline().strip()
        Segment.attach(name).close()
        child.communicate("now\n")  # stderr ends when the tidying helper has ended too
        assert child.returncode == -signal.SIGKILL
    with pytest.raises(EngineError):
        Segment.attach(name)


@pytest.mark.skipif(os.name != "posix", reason="killing a process this way is POSIX")
def test_memory_with_a_given_name_outlives_its_creator():
    name = new_name()
    with subprocess.Popen(
        [sys.executable, "-c", KILLED.replace("4096", f"4096, {name!r}")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout
        assert child.stdout.readline().strip() == name
        _, noise = child.communicate("now\n")
        assert child.returncode == -signal.SIGKILL
    assert noise == ""  # also from the tidying helper
    Segment.attach(name).close()
    left = Segment.attach(name).own()
    left.disown()
    left.close()
    Segment.attach(name).own().close()
    with pytest.raises(EngineError):
        Segment.attach(name)
    remove_segment(name)


def test_a_copy_outlives_its_segment():
    segment = share_object({"clips": [np.arange(5, dtype=np.float32)], "rate": 48_000})
    found = load_copy(segment)
    segment.close()
    assert found["rate"] == 48_000
    assert found["clips"][0].tolist() == [0, 1, 2, 3, 4]


def test_a_ring_is_taken_up_where_another_writer_and_reader_left_it():
    memory = bytearray(Ring.size(capacity=4, payload_bytes=8))
    first, other = (Ring(memoryview(memory), capacity=4, payload_bytes=8) for _ in range(2))
    for number in range(6):
        assert first.push(struct.pack("<q", number))
        assert first.pop() == struct.pack("<q", number)
    assert first.push(struct.pack("<q", 6))
    other.take_up()
    assert other.push(struct.pack("<q", 7))
    assert [struct.unpack("<q", other.pop())[0] for _ in range(2)] == [6, 7]
    assert other.pop() is None


def test_closing_twice_is_safe():
    segment = Segment.create(64)
    segment.close()
    segment.close()


def test_too_much_memory_is_an_error_with_a_way_out():
    with pytest.raises(EngineError, match="no room"):
        Segment.create(1 << 50)


def test_an_object_with_arrays_arrives_whole_and_unwritable():
    thing = {"clips": [np.arange(7, dtype=np.float32), np.zeros((2, 5), np.float32)], "rate": 48000}
    segment = share_object(thing)
    child = (
        "import sys, numpy as np, os\n"
        "from syncbox.engine.shared import Segment, load_object\n"
        "s = Segment.attach(sys.argv[1]); t = load_object(s)\n"
        "assert t['rate'] == 48000 and t['clips'][0].tolist() == list(range(7))\n"
        "assert t['clips'][1].shape == (2, 5) and not t['clips'][0].flags.writeable\n"
        "print('same', flush=True); os._exit(0)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", child, segment.name], capture_output=True, text=True, check=False
    )
    segment.close()
    assert (done.stdout, done.stderr) == ("same\n", "")


def test_loading_where_it_was_shared():
    segment = share_object(("a", 1))
    assert load_object(segment) == ("a", 1)
