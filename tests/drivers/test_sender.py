from __future__ import annotations

import pytest
import stand_in
from hypothesis import given
from hypothesis import strategies as st

from syncbox.drivers.sender import Sender
from syncbox.engine.records import Deck, EventReader, push_event, read_text

SILENCING = ((b"\xfc", b"\xb2\x7b\x00"), (b"\xb0\x7b\x00",))


class SimClock:
    """Its epoch is far from zero, so a frame taken for a time would be noticed."""

    def __init__(self) -> None:
        self.time_ns = 700_000_000_000

    def now_ns(self) -> int:
        return self.time_ns

    def wait_until_ns(self, due_ns: int) -> None:
        self.time_ns = max(self.time_ns, due_ns)

    def nap_ns(self, length_ns: int) -> None:
        self.time_ns += length_ns


class Box:
    def __init__(self, clock, name):
        self.clock, self.name = clock, name
        self.got: list[tuple[int, bytes]] = []
        self.open = True

    def send(self, data):
        assert self.open
        self.got.append((self.clock.time_ns, data))

    def close(self):
        self.open = False


@pytest.fixture
def deck():
    deck = Deck.create(stand_in.Now)
    yield deck
    deck.close()


class Stage:
    """A sender with boxes that exist by name."""

    def __init__(self, deck, *names):
        self.clock = SimClock()
        self.boxes = {name: Box(self.clock, name) for name in names}
        self.deck = deck
        self.sender = Sender(deck, SILENCING, clock=self.clock, open_port=self.boxes.get)

    def ask(self, due_ns, port=0, data=b"\xf8", why="clock"):
        assert push_event(self.deck.to_sender, 0, port, data, why, asked_ns=due_ns)

    def finish(self):
        self.sender.leaving = True
        self.sender.run()


def test_every_event_goes_out_at_its_deadline(deck):
    stage = Stage(deck, "organ", "drum box")
    now_ns = stage.clock.time_ns
    stage.sender.notes.append({"open": [["organ"], ["drum box"]]})
    stage.ask(now_ns + 5_000_000)
    stage.ask(now_ns + 5_000_000, port=1, data=b"\xfa", why="start")
    stage.ask(now_ns + 90_000_000, data=bytes((0xF0, *range(50), 0xF7)), why="sysex")
    stage.finish()
    assert stage.boxes["organ"].got == [
        (now_ns + 5_000_000, b"\xf8"),
        (now_ns + 90_000_000, bytes((0xF0, *range(50), 0xF7))),
    ]
    assert stage.boxes["drum box"].got == [(now_ns + 5_000_000, b"\xfa")]
    sent = EventReader(deck.sent).all()
    assert [(event.asked_ns, event.actual_ns) for event in sent] == [
        (now_ns + 5_000_000,) * 2,
        (now_ns + 5_000_000,) * 2,
        (now_ns + 90_000_000,) * 2,
    ]
    assert [event.why for event in sent] == ["clock", "start", "sysex"]
    assert list(deck.sent_counts[:2]) == [2, 1]


@given(gaps_us=st.lists(st.integers(0, 200_000), max_size=60))
def test_the_order_is_kept_and_nothing_is_early(gaps_us):
    deck = Deck.create(stand_in.Now)
    try:
        stage = Stage(deck)
        due_ns = stage.clock.time_ns
        for index, gap_us in enumerate(gaps_us):
            due_ns += gap_us * 1000
            stage.ask(due_ns, data=bytes((0xC0, index)), why="patch")
        while stage.sender.turn():
            pass
        sent = EventReader(deck.sent).all()
        assert [event.data[1] for event in sent] == list(range(len(gaps_us)))
        assert all(event.actual_ns == event.asked_ns for event in sent)
    finally:
        deck.close()


def test_what_is_late_is_sent_at_once(deck):
    stage = Stage(deck, "organ")
    stage.sender.notes.append({"open": [["organ"], []]})
    now_ns = stage.clock.time_ns
    stage.ask(now_ns - 3_000_000)
    stage.ask(now_ns - 1_000_000)
    stage.finish()
    assert [moment for moment, _ in stage.boxes["organ"].got] == [now_ns, now_ns]


def test_a_deadline_out_of_all_reason_does_not_hold_up_the_rest(deck):
    stage = Stage(deck, "organ")
    stage.sender.notes.append({"open": [["organ"], []]})
    now_ns = stage.clock.time_ns
    stage.ask(now_ns + 3_600 * 1_000_000_000)
    stage.ask(now_ns + 1_000_000)
    stage.finish()
    assert [moment for moment, _ in stage.boxes["organ"].got] == [now_ns, now_ns + 1_000_000]


def test_a_port_that_goes_is_closed_and_opened_again_when_it_is_back(deck):
    stage = Stage(deck, "organ")
    first = stage.boxes["organ"]
    stage.sender.notes.append({"open": [["organ"], []]})
    stage.sender.turn()
    stage.sender.notes.append({"open": [[], []]})
    stage.sender.turn()
    assert not first.open
    stage.boxes["organ"] = Box(stage.clock, "organ")
    stage.sender.notes.append({"open": [["organ"], []]})
    stage.ask(stage.clock.time_ns)
    stage.finish()
    assert len(stage.boxes["organ"].got) == 1
    assert first.got == []


def test_hush_forgets_what_the_dead_engine_wanted(deck):
    stage = Stage(deck, "organ", "drum box")
    stage.sender.notes.append({"open": [["organ"], ["drum box"]]})
    stage.ask(stage.clock.time_ns + 1_000_000, data=b"\x90\x40\x40", why="other")
    stage.sender.notes.append({"hush": True})
    stage.sender.turn()
    stage.finish()
    silence = [data for _, data in stage.boxes["organ"].got if data != b"\x90\x40\x40"]
    assert silence == list(SILENCING[0])
    assert [data for _, data in stage.boxes["drum box"].got] == list(SILENCING[1])


def relieve(stage, successor, *, from_turn):
    """Turns of the old sender until it has left, then what the new one does."""
    for number in range(from_turn):
        assert stage.sender.turn(), number
    stage.sender.relieved = True
    stage.sender.run()
    successor.sender.leaving = True
    for ring in (stage.deck.to_sender, stage.deck.sent):
        ring.take_up()
    successor.sender.run()


@pytest.mark.parametrize("from_turn", range(5))
def test_another_sender_goes_on_where_the_first_one_left_off(deck, from_turn):
    stage, successor = Stage(deck, "organ"), Stage(deck, "organ")
    wanted = [b"\xf8", bytes((0xF0, *range(60), 0xF7)), b"\xf8", b"\xc0\x05", b"\xf8"]
    begun_ns = stage.clock.time_ns
    for number, data in enumerate(wanted):
        stage.ask(begun_ns + number * 8_000_000, data=data)
    for each in (stage, successor):
        each.sender.notes.append({"open": [["organ"], []]})
    relieve(stage, successor, from_turn=from_turn)
    first, second = stage.boxes["organ"].got, successor.boxes["organ"].got
    assert [data for _, data in first + second] == wanted
    assert [at_ns for at_ns, _ in first] == [
        begun_ns + number * 8_000_000 for number in range(len(first))
    ]
    sent = EventReader(deck.sent).all()
    assert [event.data for event in sent] == wanted


def test_what_a_sender_has_open_is_known_to_the_next_host(deck):
    stage = Stage(deck, "organ", "drum box")
    stage.sender.notes.append({"open": [["organ", "not there"], ["drum box"]]})
    stage.sender.turn()
    assert read_text(deck.sender_facts) == {"open": [["organ"], ["drum box"]]}


class Turn:
    """A turn that is free when a test says so."""

    def __init__(self, *, free=False):
        self.claimed, self.free = False, free

    def claim(self):
        self.claimed = True


def test_a_sender_waits_for_its_turn_with_its_ports_open(deck):
    stage, turn = Stage(deck, "organ"), Turn()
    stage.sender.notes.append({"open": [["organ"], []]})
    stage.clock.nap_ns = lambda length_ns: let_go(stage, turn, length_ns)
    assert stage.sender.wait(turn)
    assert turn.claimed
    assert read_text(deck.sender_facts)["open"] == [["organ"], []]


def let_go(stage, turn, length_ns):
    stage.clock.time_ns += length_ns
    turn.free = turn.claimed


def test_a_sender_that_shall_leave_before_its_turn_does_nothing(deck):
    stage, turn = Stage(deck, "organ"), Turn(free=True)
    stage.sender.leaving = True
    assert not stage.sender.wait(turn)
