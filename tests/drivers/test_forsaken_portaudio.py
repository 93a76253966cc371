"""A host killed in mid-song with the driver portaudio: one sender relieves the other."""

from __future__ import annotations

import time

import pytest
import stand_in
from hosts import gone, host, taken_over
from listening import capture, until_heard, wait_for
from stand_in import CLOCK_FRAMES, LONG_SYSEX, Press

from syncbox.drivers.relief import Relief
from syncbox.engine.records import Deck, EventReader, push_event
from syncbox.engine.words import Word

pytestmark = [pytest.mark.timeout(120)]
STARTED = """
    while session.status().ports[0].missing:
        time.sleep(0.05)
    time.sleep(0.5)  # the sender opens the port a moment after it was told to
    session.press(stand_in.Press.START)
    time.sleep(1)
"""


@pytest.fixture
def server(start_jackd, monkeypatch):
    """PortAudio and rtmidi reach it by JACK's own variable; its long blocks are rarely dropped."""
    with start_jackd(block_frames=2048) as server:
        monkeypatch.setenv("JACK_DEFAULT_SERVER", server.name)
        yield server.name


def listen_while_it_is_killed(server, tmp_path):
    """What was heard and sent, and the engine's dropouts; None if the listener lost blocks."""
    with (
        capture(server) as listener,
        host(tmp_path, "portaudio", "system", then=STARTED) as first,
    ):
        first.kill()
        time.sleep(0.5)
        with taken_over(tmp_path) as session:
            assert session._engine.pid == first.engine
            assert session.status().ports[0].connected_to
            new_sender = session._side._sender.pid
            wait_for(lambda: session._deck.words[Word.SENDER] == new_sender)
            session.press(Press.SYSEX)
            wait_for(lambda: LONG_SYSEX.hex() in listener.messages())
            here = len(listener.messages())
            wait_for(lambda: len(listener.messages()) > here + 40)
        wait_for(lambda: gone(first))
        time.sleep(0.2)
        heard = listener.heard()
        sent = session.sent()  # nobody had read them since the beginning
    if heard["gaps"]:
        return None
    return [data for _, _, data in heard["midi"]], sent, session.status().dropouts


@pytest.mark.jack
def test_every_message_goes_out_once_and_in_order(server, tmp_path):
    heard, sent, dropouts = until_heard(lambda: listen_while_it_is_killed(server, tmp_path))
    assert heard == [event.data.hex() for event in sent]
    assert heard[0] == "fa"
    assert heard[-1] == "fc"
    clocks = [event.frame for event in sent if event.why == "clock"]
    whole = list(range(clocks[0], clocks[-1] + 1, CLOCK_FRAMES))
    assert clocks == whole or dropouts
    assert clocks == sorted(set(clocks) & set(whole))


@pytest.mark.jack
def test_an_engine_that_dies_without_a_host_is_silenced_by_its_sender(server, tmp_path):
    with (
        capture(server) as listener,
        host(tmp_path, "portaudio", "system", then=STARTED) as first,
    ):
        first.kill()
        first.kill_engine()
        wait_for(lambda: "b27b00" in listener.messages())
        assert listener.messages()[-5:] == ["fc", "b24000", "b27800", "b27900", "b27b00"]


@pytest.fixture
def deck():
    deck = Deck.create(stand_in.Now)
    yield deck
    deck.close()


@pytest.mark.parametrize("task", [Word.SENDER, Word.RECEIVER])
def test_one_takes_its_turn_after_the_other(deck, task):
    first = Relief(deck.words, task)
    assert first.claimed
    assert first.free
    second = Relief(deck.words, task)
    assert not second.claimed
    assert not first.over
    second.claim()
    second.claim()
    assert first.over
    assert not second.free  # the first one is still at it
    first.end()
    assert second.free
    assert not second.over


def test_a_dead_one_is_not_waited_for(deck):
    deck.words[Word.SENDER] = 2**22 + 1  # more than Linux gives, so nobody
    deck.words[Word.SENDER_TURN] = 3
    next_one = Relief(deck.words, Word.SENDER)
    assert not next_one.claimed
    assert next_one.free


def test_what_one_has_read_in_part_the_next_leaves_out(deck):
    for data in (LONG_SYSEX, b"\xf8"):
        push_event(deck.sent, 0, 0, data, "other")
    deck.sent.pop()
    assert [event.data for event in EventReader(deck.sent).all()] == [b"\xf8"]
