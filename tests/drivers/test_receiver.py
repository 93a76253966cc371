"""The input process and what comes of it: stamps, ports that go, the way past what is planned."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import pytest
import stand_in
from building import RIG, program_of, section, song
from listening import capture, wait_for

from syncbox.drivers.receiver import Receiver
from syncbox.drivers.sender import Sender
from syncbox.drivers.session import open_session
from syncbox.engine.cycle import Cycle, Play
from syncbox.engine.records import Deck, EventReader, push_event
from syncbox.engine.transport import State
from syncbox.lab.hands import Hands
from syncbox.score.controls import Control, Sign, SignKind, Zone

ON = b"\x90\x3c\x40"


@pytest.fixture
def deck():
    deck = Deck.create(stand_in.Now)
    yield deck
    deck.close()


class Inlets:
    """The system's ports, by name; those that are open can be played."""

    def __init__(self, *names):
        self.there = set(names)
        self.open: dict[str, Any] = {}

    def __call__(self, name, heard):
        if name not in self.there:
            return None
        self.open[name] = heard
        owner = self

        class Inlet:
            def close(self):
                del owner.open[name]

        return Inlet()


def test_messages_are_stamped_and_ports_come_and_go(deck):
    clock = iter(range(1_000, 10_000, 10))
    inlets, reader = Inlets("pedal", "keys", "pads"), EventReader(deck.heard)
    receiver = Receiver(deck.heard, 2, now_ns=lambda: next(clock), open_port=inlets)
    receiver.heed([["pedal"], ["keys", "pads", "not there"]])
    assert set(inlets.open) == {"pedal", "keys", "pads"}
    inlets.open["keys"](ON)
    inlets.open["pedal"](bytes(range(0x40)))
    heard = reader.all()
    assert [(event.asked_ns, event.port, event.data) for event in heard] == [
        (1_000, 1, ON),
        (1_010, 0, bytes(range(0x40))),
    ]
    receiver.heed([["pedal"], ["pads"]])  # another port plays into the same input still
    assert reader.all() == []
    receiver.heed([[], ["pads"]])
    assert [(event.port, event.data) for event in reader.all()] == [(0, b"")]
    receiver.close()
    assert inlets.open == {}


@dataclass
class Listening(stand_in.State):
    heard: list[tuple[int, int, bytes]] = field(default_factory=list)
    gone: list[int] = field(default_factory=list)

    def hear(self, offset_frames, input_index, data):
        self.heard.append((offset_frames, input_index, data))

    def input_gone(self, input_index):
        self.gone.append(input_index)


def test_one_that_takes_over_neither_loses_nor_doubles(deck):
    now_ns = [1_000]
    ports = [Inlets("pedal", "keys"), Inlets("pedal", "keys")]
    old, new = (
        Receiver(deck.heard, 3, now_ns=lambda: now_ns[0], open_port=inlets) for inlets in ports
    )
    new.hold()
    for each in (old, new):
        each.heed([["pedal"], ["keys"], ["gone"]])

    def play(data):
        now_ns[0] += 10
        for inlets in ports:  # both hear all of it
            inlets.open["keys"](data)

    play(b"\x90\x01\x40")
    play(b"\x90\x02\x40")
    left_ns = old.end()
    play(b"\x90\x03\x40")
    new.begin(left_ns + 1)
    play(b"\x90\x04\x40")
    heard = EventReader(deck.heard).all()
    keys = [event.data[1] for event in heard if event.port == 1]
    assert keys == [1, 2, 3, 4]
    # Nobody knows whether what has gone went while nobody looked: let go of what it held.
    assert [(event.port, event.data) for event in heard if event.port != 1] == [(2, b"")]


def test_arrivals_keep_their_distances_one_block_later(deck):
    state = Listening(1)
    cycle = Cycle(Play(state, stand_in.render, 0, 4), deck, now_ns=lambda: 0)
    block_ns = 256 * 1_000_000_000 // 48_000
    now_ns = 10**15
    for age_ns in (2 * block_ns, block_ns, block_ns // 2, 1, -5):
        push_event(deck.heard, 0, 3, ON, "played", asked_ns=now_ns - age_ns)
    push_event(deck.heard, 0, 1, b"", "played", asked_ns=now_ns)
    cycle.hear_arrivals(256, now_ns, 48_000)
    # The first is late, and kept in the block; the last came after the block's own turn.
    assert [offset for offset, _, _ in state.heard] == [0, 1, 129, 255]
    assert state.gone == []
    cycle.hear_arrivals(256, now_ns + block_ns, 48_000)
    assert [offset for offset, _, _ in state.heard[4:]] == [1]
    assert state.gone == [1]


def test_callbacks_that_come_late_do_not_move_what_came_in(deck):
    """By the card's own pace; what came during a callback's delay belongs to a later block."""
    state = Listening(1)
    cycle = Cycle(Play(state, stand_in.render, 0, 4), deck, now_ns=lambda: 0)
    start_ns, block_ns = 10**15, 256 * 1_000_000_000 // 48_000
    for block in range(8):
        push_event(deck.heard, 0, 3, ON, "played", asked_ns=start_ns + block * block_ns + 1_000_000)
    frames = []
    for block in range(12):
        before = len(state.heard)
        cycle.hear_arrivals(256, start_ns + block * block_ns, 48_000)
        frames += [block * 256 + offset for offset, _, _ in state.heard[before:]]
    assert len(frames) == 8
    assert {late - early for early, late in pairwise(frames)} <= {255, 256, 257}


def test_what_is_far_ahead_of_its_time_is_heard_at_once(deck):
    """Then one of two clocks is wrong, and nothing may wait for it."""
    state = Listening(1)
    cycle = Cycle(Play(state, stand_in.render, 0, 4), deck, now_ns=lambda: 0)
    push_event(deck.heard, 0, 3, ON, "played", asked_ns=2 * 10**15)
    cycle.hear_arrivals(256, 10**15, 48_000)
    assert len(state.heard) == 1


class Clock:
    def __init__(self):
        self.time_ns = 700_000_000_000

    def now_ns(self):
        return self.time_ns

    def wait_until_ns(self, due_ns):
        self.time_ns = max(self.time_ns, due_ns)

    def nap_ns(self, length_ns):
        self.time_ns += length_ns


def test_what_is_played_goes_past_what_is_planned(deck):
    clock, got = Clock(), []

    class Box:
        def send(self, data):
            got.append((clock.time_ns, data))

        def close(self):
            pass

    sender = Sender(deck, ((),), clock=clock, open_port=lambda name: Box(), hands=True)
    sender.notes.append({"open": [["organ"]]})
    began_ns = clock.time_ns
    for step in (30, 60):
        due_ns = began_ns + step * 1_000_000
        push_event(deck.to_sender, 0, 0, b"\xf8", "clock", asked_ns=due_ns)
    played_ns = began_ns + 40_000_000
    while clock.time_ns < began_ns + 70_000_000:
        if clock.time_ns >= played_ns and played_ns:
            push_event(deck.played, 0, 0, ON, "played", asked_ns=clock.time_ns)
            played_ns = 0
        sender.turn()
    clocks = [at_ns - began_ns for at_ns, data in got if data == b"\xf8"]
    notes = [at_ns - began_ns for at_ns, data in got if data == ON]
    assert clocks == [30_000_000, 60_000_000]
    assert len(notes) == 1
    assert notes[0] - 40_000_000 < 1_000_000


@pytest.mark.jack
def test_pedals_and_keys_through_portaudio(jack_server, monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", jack_server)
    start = Control("start", "pedals", Sign(SignKind.CONTROLLER, 64, 64))
    quiet = tuple(replace(port, match="nothing") for port in RIG.ports)
    rig = replace(
        RIG,
        ports=(quiet[0], replace(quiet[1], match="listener:in_*"), quiet[2]),
        controls=(start,),
        input_ports={"pedals": "*:foot*", "keys": "*:keys*"},
        zones=(Zone("keys", "choir", transpose=12),),
    )
    with (
        Hands(jack_server, ("foot", "keys")) as hands,
        capture(jack_server) as listener,
        open_session(program_of(song(section("A", 8)), rig=rig), "portaudio", device="system")
        as session,
    ):  # fmt: skip
        wait_for(lambda: [bool(p.connected_to) for p in session.status().ports][1:] == [1, 0, 1, 1])
        for _ in range(40):
            hands.play([(0, 1, ON), (2_000, 1, b"\x80\x3c\x40")])
            # A box that has just been connected is silenced first: no notes, but controllers.
            notes = [data for data in listener.messages() if data[0] != "b"]
            if len(notes) > 4:
                break
        assert set(notes) == {"904840", "804840"}
        for _ in range(40):
            hands.play([(0, 0, b"\xb0\x40\x7f"), (3_000, 0, b"\xb0\x40\x00")])
            if session.status().now.transport != State.STOPPED:
                break
        assert session.status().now.transport != State.STOPPED
