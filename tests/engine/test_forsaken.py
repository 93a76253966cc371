"""What an engine does whose host has gone, look by look, with made-up time and processes."""

from __future__ import annotations

import os
from dataclasses import dataclass, field

import pytest

from syncbox.engine.cycle import Cycle, Play
from syncbox.engine.forsaken import Staying, Vigil, tidy
from syncbox.engine.records import Deck, Health
from syncbox.engine.shared import Segment, new_name
from syncbox.engine.words import Word
from syncbox.errors import EngineError

IDLE_S = 900.0


@dataclass
class Now:
    transport: int = 0


@dataclass
class State:
    now: Now = field(default_factory=Now)
    finished: bool = False
    heard: int = 0

    def hear(self, offset_frames, input_index, data):
        self.heard += 1


class Process:
    def __init__(self):
        self.alive, self.closed = True, False

    def close(self):
        self.closed = True


class Watch:
    """An engine's vigil with a clock and hosts that a test moves."""

    def __init__(self, deck):
        self.deck, self.words = deck, deck.words
        self.now_s = 50.0
        self.hosts = {}
        self.state = State()
        play = Play(self.state, None, 0, 1, still=lambda state: not state.now.transport)
        self.cycle = Cycle(play, deck, now_ns=self.now_ns)
        staying = Staying(self.hosts.__getitem__, (), IDLE_S)
        self.vigil = Vigil(self.cycle, deck, staying, now_ns=self.now_ns, now_s=lambda: self.now_s)

    def now_ns(self):
        return round(self.now_s * 1e9)

    def stays(self, after_s=0.1):
        self.now_s += after_s
        return self.vigil.look()

    def taken_over_by(self, pid):
        self.hosts[pid] = Process()
        self.words[Word.HOST] = pid
        self.words[Word.FORSAKEN] = 0


@pytest.fixture
def watch():
    deck = Deck.create(Now)
    yield Watch(deck)
    deck.close()


def test_it_says_that_it_is_forsaken_and_lives(watch):
    assert watch.words[Word.FORSAKEN] == 1
    assert watch.stays()
    assert watch.words[Word.ALIVE_NS] == watch.now_ns()


def test_one_that_plays_stays_all_night(watch):
    watch.state.now.transport = 2
    for _ in range(20):
        assert watch.stays(IDLE_S)


def test_one_that_waits_leaves_after_a_while_since_it_played_last(watch):
    watch.state.now.transport = 2
    assert watch.stays(IDLE_S)
    watch.state.now.transport = 0
    assert watch.stays(IDLE_S - 1)
    assert not watch.stays(2)


def test_somebody_who_plays_on_the_keys_keeps_it(watch):
    for _ in range(5):
        assert watch.stays(IDLE_S - 1)
        watch.cycle.hear(0, 0, b"\x90\x40\x40")
    assert watch.stays(IDLE_S - 1)
    assert not watch.stays(IDLE_S)


def test_a_host_that_takes_over_keeps_it_and_may_be_killed_too(watch):
    watch.taken_over_by(7)
    for _ in range(3):
        assert watch.stays(IDLE_S)
    assert watch.words[Word.FORSAKEN] == 0
    watch.hosts[7].alive = False
    assert watch.stays()
    assert watch.words[Word.FORSAKEN] == 1
    assert watch.hosts[7].closed
    watch.taken_over_by(8)
    assert watch.stays(IDLE_S)
    assert watch.words[Word.FORSAKEN] == 0


def test_its_leave_note_is_in_the_deck(watch):
    watch.taken_over_by(7)
    assert watch.stays()
    watch.words[Word.LEAVE] = 1
    assert not watch.stays()


def test_one_that_has_finished_leaves_and_one_that_lost_its_audio_waits(watch):
    watch.state.now.transport = 2
    watch.cycle.pulse.health = Health.AUDIO_LOST
    assert watch.stays(IDLE_S - 1)
    watch.cycle.pulse.health = Health.FINISHED
    assert not watch.stays()


class Standby:
    shall_be_silent = True


def test_one_that_only_goes_along_leaves_at_once_and_says_so(watch):
    watch.cycle.standby = Standby()
    watch.state.now.transport = 2
    assert not watch.stays()
    assert watch.words[Word.LEAVE] == 1


def test_a_spare_that_has_taken_over_stays_until_it_is_silent_without_a_host(watch):
    watch.cycle.standby = standby = Standby()
    standby.shall_be_silent = False
    watch.state.now.transport = 2
    assert watch.stays()
    watch.taken_over_by(7)
    standby.shall_be_silent = True  # this host gives back
    assert watch.stays()
    assert watch.words[Word.LEAVE] == 0
    watch.hosts[7].alive = False
    assert not watch.stays()


@pytest.mark.parametrize(("forsaken", "engine"), [(1, 0), (0, 0), (1, 1)])
def test_a_forsaken_engine_removes_what_is_left_and_no_other_does(forsaken, engine):
    deck = Deck.create(Now)
    deck.words[Word.FORSAKEN] = forsaken
    deck.words[Word.ENGINE] = os.getpid() + engine  # another one has taken its place
    segment = Segment.create(64, new_name())
    tidy(deck, Staying(Process, (segment.name,)))
    if forsaken and not engine:
        with pytest.raises(EngineError):
            Segment.attach(segment.name)
    else:
        Segment.attach(segment.name).close()
    segment.close()
    deck.close()
