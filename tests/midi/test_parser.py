from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from syncbox.midi.parser import SYSEX_BYTES_MAX, Parser

data = st.integers(0, 0x7F)
channels = st.integers(0, 15)
two = st.builds(
    lambda kind, channel, a, b: bytes((kind + channel, a, b)),
    st.sampled_from([0x80, 0x90, 0xA0, 0xB0, 0xE0]),
    channels,
    data,
    data,
)
one = st.builds(
    lambda kind, channel, a: bytes((kind + channel, a)),
    st.sampled_from([0xC0, 0xD0]),
    channels,
    data,
)
common = st.sampled_from([b"\xf1\x10", b"\xf2\x04\x00", b"\xf3\x07", b"\xf6"])
sysex = st.lists(data, max_size=20).map(lambda body: bytes((0xF0, *body, 0xF7)))
messages = st.lists(st.one_of(two, two, one, common, sysex), max_size=30)
realtime = st.sampled_from([0xF8, 0xFA, 0xFB, 0xFC])


def squeezed(wanted: list[bytes]) -> bytes:
    """With running status wherever it is allowed."""
    out, running = bytearray(), -1
    for message in wanted:
        out += message[1:] if message[0] == running else message
        running = message[0] if message[0] < 0xF0 else -1
    return bytes(out)


@given(messages)
def test_running_status_is_resolved(wanted: list[bytes]) -> None:
    assert Parser().feed(squeezed(wanted)) == wanted


@given(messages, st.data())
def test_realtime_bytes_may_stand_anywhere(wanted: list[bytes], drawn: st.DataObject) -> None:
    stream, sent = bytearray(), []
    for byte in squeezed(wanted):
        if drawn.draw(st.booleans()):
            sent.append(drawn.draw(realtime))
            stream.append(sent[-1])
        stream.append(byte)
    found = Parser().feed(bytes(stream))
    assert [message for message in found if message[0] < 0xF8] == wanted
    assert [message[0] for message in found if message[0] >= 0xF8] == sent


@given(st.binary(max_size=200), st.integers(1, 7))
def test_how_the_stream_is_cut_changes_nothing(stream: bytes, length: int) -> None:
    parser, found = Parser(), []
    for start in range(0, len(stream), length):
        found += parser.feed(stream[start : start + length])
    assert found == Parser().feed(stream)


@given(st.binary(max_size=300))
def test_whatever_comes_only_whole_messages_leave(stream: bytes) -> None:
    for message in Parser().feed(stream):
        status, body = message[0], message[1:]
        assert status >= 0x80
        if status == 0xF0:
            assert body[-1] == 0xF7
            body = body[:-1]
        assert all(byte < 0x80 for byte in body)
        if status < 0xF0:
            assert len(message) == (2 if 0xC0 <= status < 0xE0 else 3)


def test_a_message_too_long_is_left_out_and_the_next_one_is_not() -> None:
    parser = Parser()
    assert parser.feed(b"\xf0" + bytes(SYSEX_BYTES_MAX) + b"\xf7\x90\x3c\x40") == [b"\x90\x3c\x40"]
    assert parser.left_out == 1
    longest = b"\xf0" + bytes(SYSEX_BYTES_MAX - 2) + b"\xf7"
    assert parser.feed(longest) == [longest]
