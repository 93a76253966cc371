from __future__ import annotations

from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.engine.records import (
    INLINE_BYTES,
    WHYS,
    Deck,
    EventReader,
    NowCodec,
    Pulse,
    SentEvent,
    push_event,
)
from syncbox.engine.shared import Ring


@dataclass
class Now:
    bar: int = 0
    level_db: float = 0.0


def ring_of(capacity):
    memory = bytearray(Ring.size(capacity=capacity, payload_bytes=40))
    return Ring(memoryview(memory), capacity=capacity, payload_bytes=40)


@given(
    messages=st.lists(
        st.tuples(
            st.integers(-(2**62), 2**62),
            st.integers(0, 63),
            st.binary(min_size=1, max_size=100),
            st.sampled_from(WHYS),
            st.integers(1, 2**62),
        ),
        max_size=30,
    )
)
def test_messages_of_any_length_arrive_whole(messages):
    ring = ring_of(400)
    for frame, port, data, why, at_ns in messages:
        assert push_event(ring, frame, port, data, why, asked_ns=at_ns, actual_ns=at_ns + 1)
    expected = [
        SentEvent(frame, at_ns, at_ns + 1, port, data, why)
        for frame, port, data, why, at_ns in messages
    ]
    assert EventReader(ring).all() == expected


def test_a_message_without_host_time():
    ring = ring_of(4)
    push_event(ring, 7, 0, b"\xf8", "clock")
    event = EventReader(ring).next()
    assert event is not None
    assert (event.asked_ns, event.actual_ns) == (None, None)


def test_a_long_message_is_refused_whole_and_counted():
    ring = ring_of(3)
    assert not push_event(ring, 0, 0, bytes(3 * INLINE_BYTES + 1), "sysex")
    assert ring.refused == 1
    assert push_event(ring, 0, 0, bytes(3 * INLINE_BYTES), "sysex")
    assert EventReader(ring).all()[0].data == bytes(3 * INLINE_BYTES)


def test_an_unknown_reason_is_other():
    ring = ring_of(3)
    push_event(ring, 0, 0, b"\xf8", "no such reason")
    event = EventReader(ring).next()
    assert event is not None
    assert event.why == "other"


@given(bar=st.integers(-(2**63), 2**63 - 1), level_db=st.floats(allow_nan=False))
def test_now_arrives_as_it_left(bar, level_db):
    codec = NowCodec(Now)
    assert codec.unpack(codec.pack(Now(bar, level_db))) == Now(bar, level_db)
    assert len(codec.pack(Now())) == codec.size


@pytest.fixture
def deck():
    deck = Deck.create(Now)
    yield deck
    deck.close()


def test_a_deck_from_both_sides(deck):
    other = Deck.attach(deck.name, Now)
    assert other.read() is None
    assert deck.push_command(3)
    assert (other.pop_command(), other.pop_command()) == (3, None)
    other.publish(Pulse(frame=512, dropouts=2), Now(7, -12.0))
    assert deck.read() == (Pulse(frame=512, dropouts=2), Now(7, -12.0))
    other.lengths[5] += 1
    other.sent_counts[1] += 4
    assert (deck.lengths[5], deck.sent_counts[1]) == (1, 4)
    push_event(other.sent, 9, 0, b"\xf8", "clock")
    assert EventReader(deck.sent).all()[0].frame == 9
    other.close()


def test_an_engine_that_takes_no_commands_is_noticed(deck):
    assert all(deck.push_command(number) for number in range(64))
    assert not deck.push_command(64)
