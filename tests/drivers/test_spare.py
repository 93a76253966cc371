"""Two sessions on one computer: one plays, the other goes along and takes over."""

from __future__ import annotations

import os
import signal
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace

import pytest
from building import program_of, section, song
from listening import wait_for

from syncbox.drivers import system
from syncbox.drivers.beacon import BeaconHost, BeaconJob
from syncbox.drivers.session import Session, open_session
from syncbox.drivers.spare import SpareSide, essence_of
from syncbox.drivers.spare_post import Post, address_of
from syncbox.drivers.spare_rules import Heard, Own, Refusal, Situation
from syncbox.drivers.spare_words import Letter, PlaceWord, Word, packet
from syncbox.engine.place import VERSION
from syncbox.engine.state import Now
from syncbox.engine.transport import Command, State
from syncbox.errors import DeviceError, EngineError
from syncbox.lab.bad_network import BadNetwork
from syncbox.score.song import Section

RATE = 48_000
OWN = Own(run=11, show=7, sounds=8, rate=RATE, place_version=VERSION)

pytestmark = pytest.mark.timeout(120)


def written():
    vamp = Section("V", section("V", 2).body, vamp_usual=4)
    return program_of(song(section("A", 4), vamp, section("B", 200), tempo=140))


@dataclass
class Pair:
    """Both computers, and what is between them."""

    first: Session
    spare: Session
    beacon: BeaconHost
    side: SpareSide
    network: BadNetwork

    def apart_frames(self) -> float:
        """How far the spare's engine is from the first one's, by the host's clock."""
        one, other = self.first.status(), self.spare.status()
        since = (other.host_ns - one.host_ns) * RATE / 1e9
        return other.frame - one.frame - since

    def kill_first(self) -> None:
        """Its engine and its beacon, at once; its host does not come to its help."""
        self.first._resume_job = None
        self.beacon._closing.set()
        self.beacon._child.kill()
        os.kill(self.first._engine.pid, signal.SIGKILL)


@pytest.fixture
def pair() -> Iterator[Pair]:
    with computers() as both:
        yield both


@contextmanager
def computers(own: Own = OWN) -> Iterator[Pair]:
    with ExitStack() as stack:
        post = Post()
        network = stack.enter_context(BadNetwork(("127.0.0.1", post.port)))
        first = stack.enter_context(open_session(written(), "simulated"))
        spare = stack.enter_context(open_session(written(), "simulated", spare=True))
        side = stack.enter_context(
            SpareSide(
                spare.deck_name,
                Now,
                replace(own, run=12),
                Letter(12, "", "", "spare"),
                post,
                press=spare.press,
                port_count=3,
            )
        )
        job = BeaconJob(
            first.deck_name, Now, OWN, Letter(11, "", "", "first"), ("127.0.0.1", network.port)
        )
        beacon = stack.enter_context(BeaconHost(job))
        yield Pair(first, spare, beacon, side, network)


def situation(pair: Pair) -> Situation:
    return pair.side.status().situation


def follows(pair: Pair) -> None:
    pair.first.press(Command.START)
    wait_for(lambda: situation(pair) is Situation.FOLLOWING)
    wait_for(lambda: pair.beacon.heard.heard is Heard.GOES_ALONG)


def test_it_goes_along_silently_to_the_vamp_and_out_of_it(pair: Pair) -> None:
    follows(pair)
    wait_for(lambda: pair.spare.status().now.transport == State.VAMPING)
    pair.first.press(Command.CUE)
    wait_for(lambda: pair.first.status().now.section_index == 2)
    wait_for(lambda: pair.spare.status().now.section_index == 2)
    # A busy machine may hold everything up; a beat is 20 571 frames.
    assert min(abs(pair.apart_frames()) for _ in range(20)) < 0.05 * RATE
    pair.first.press(Command.STOP)
    wait_for(lambda: pair.spare.status().now.transport == State.STOPPED)
    assert pair.spare.status().midi_sent == (0, 0, 0)
    assert pair.spare.sent() == []
    assert pair.side.status().first_hears_us
    assert pair.side.status().computer == "first"


def test_it_takes_over_when_the_first_one_dies(pair: Pair) -> None:
    follows(pair)
    before = pair.spare.status()
    pair.kill_first()
    died_ns = system.now_ns()
    wait_for(lambda: situation(pair) is Situation.PLAYING)
    assert system.now_ns() - died_ns > OWN.patience_ns - 0.3e9, "not before its patience is over"
    assert pair.side.status().by_itself
    wait_for(lambda: pair.spare.status().midi_sent[0] > 60)
    events = pair.spare.sent()
    whys = [event.why for event in events if event.port == 0]
    assert whys.index("stop") < whys.index("song position") < whys.index("continue")
    after = pair.spare.status()
    gone = (after.host_ns - before.host_ns) * RATE / 1e9
    assert after.frame - before.frame == pytest.approx(gone, abs=0.05 * RATE)
    assert pair.side.give_back() is Refusal.NOBODY_ELSE


def test_a_pulled_cable_makes_both_play_and_both_say_so(pair: Pair) -> None:
    follows(pair)
    pair.network.cut = True
    wait_for(lambda: pair.beacon.heard.heard is Heard.GONE)
    wait_for(lambda: situation(pair) is Situation.PLAYING)
    assert pair.first.status().now.transport != State.STOPPED
    pair.network.cut = False
    wait_for(lambda: situation(pair) is Situation.BOTH)
    wait_for(lambda: pair.beacon.heard.heard is Heard.BOTH)
    assert pair.beacon.heard.by_itself
    assert pair.side.give_back() is None
    wait_for(lambda: situation(pair) is Situation.FOLLOWING)
    wait_for(lambda: pair.beacon.heard.heard is Heard.GOES_ALONG)
    count = sum(pair.spare.status().midi_sent)
    wait_for(lambda: pair.first.status().now.bar > 2)
    assert sum(pair.spare.status().midi_sent) == count


def test_a_person_takes_over_and_the_first_plays_on(pair: Pair) -> None:
    follows(pair)
    assert pair.side.take_over() is None
    wait_for(lambda: situation(pair) is Situation.BOTH)
    wait_for(lambda: pair.beacon.heard.heard is Heard.BOTH)
    assert not pair.beacon.heard.by_itself
    assert pair.first.status().engine_alive
    wait_for(lambda: pair.spare.status().midi_sent[0] > 10)


def test_a_bad_network_is_no_reason_to_take_over(pair: Pair) -> None:
    network = pair.network
    network.delay_s, network.jitter_s, network.loss, network.double = 0.02, 0.03, 0.2, 0.1
    follows(pair)
    wait_for(lambda: pair.spare.status().now.transport == State.VAMPING)
    pair.first.press(Command.CUE)
    wait_for(lambda: pair.spare.status().now.section_index == 2)
    assert situation(pair) in (Situation.FOLLOWING, Situation.QUIET)
    status = pair.side.status()
    assert status.lost_permille > 20
    assert 10_000 < status.within_us < 60_000, "the doubt is half of the wire's delay at least"
    assert min(abs(pair.apart_frames()) for _ in range(20)) < 0.05 * RATE


def test_the_first_one_comes_back_as_the_spare_of_the_spare(pair: Pair) -> None:
    follows(pair)
    pair.kill_first()
    wait_for(lambda: situation(pair) is Situation.PLAYING)
    post = Post()
    with (
        open_session(written(), "simulated", spare=True) as again,
        SpareSide(
            again.deck_name,
            Now,
            replace(OWN, run=13),
            Letter(13, "", "", "first"),
            post,
            press=again.press,
            port_count=3,
            first=("127.0.0.1", pair.side._post.port),
        ) as back,
    ):
        wait_for(lambda: back.status().situation is Situation.FOLLOWING)
        wait_for(lambda: pair.side.status().follower)
        wait_for(lambda: back.status().first_hears_us)
        assert situation(pair) is Situation.PLAYING
        assert again.status().now.bar > 0
        one, other = pair.spare.status(), again.status()
        apart = other.frame - one.frame - (other.host_ns - one.host_ns) * RATE / 1e9
        assert abs(apart) < 0.05 * RATE
        assert again.status().midi_sent == (0, 0, 0)
        # In a break they change over again.
        assert back.take_over() is None
        wait_for(lambda: situation(pair) is Situation.BOTH)
        assert pair.side.give_back() is None
        wait_for(lambda: situation(pair) is Situation.FOLLOWING)
        wait_for(lambda: back.status().situation is Situation.PLAYING)


def test_an_engine_of_the_first_that_is_mended_keeps_the_show(pair: Pair) -> None:
    patient = replace(OWN, patience_ns=20_000_000_000)  # a busy machine mends slowly
    pair.side._own = replace(patient, run=12)
    follows(pair)
    os.kill(pair.first._engine.pid, signal.SIGKILL)
    wait_for(lambda: pair.first.status().rescuing)  # it may be over before the spare notices
    wait_for(lambda: pair.first.status().engine_alive)
    wait_for(lambda: situation(pair) is Situation.FOLLOWING)
    wait_for(lambda: abs(pair.apart_frames()) < 0.05 * RATE)
    assert not pair.side.playing


def test_the_spares_own_engine_dies_and_is_mended_in_silence(pair: Pair) -> None:
    follows(pair)
    taken = pair.spare._deck.read()[0].places_taken
    os.kill(pair.spare._engine.pid, signal.SIGKILL)
    wait_for(lambda: pair.spare._deck.read()[0].places_taken > taken)
    wait_for(lambda: abs(pair.apart_frames()) < 0.05 * RATE)
    assert pair.spare.status().midi_sent == (0, 0, 0)
    assert not pair.side.playing


def test_what_has_taken_over_is_mended_and_sounds_on(pair: Pair) -> None:
    follows(pair)
    pair.kill_first()
    wait_for(lambda: situation(pair) is Situation.PLAYING)
    wait_for(lambda: pair.spare.status().midi_sent[0] > 20)
    os.kill(pair.spare._engine.pid, signal.SIGKILL)
    wait_for(lambda: not pair.spare.status().engine_alive)
    wait_for(lambda: pair.spare.status().engine_alive)
    count = pair.spare.status().midi_sent[0]
    wait_for(lambda: pair.spare.status().midi_sent[0] > count + 20)
    assert not pair.spare._deck.read()[0].silent


def test_the_first_one_leaves_in_good_order(pair: Pair) -> None:
    follows(pair)
    pair.first.close()
    wait_for(lambda: pair.spare.status().now.transport == State.STOPPED)
    pair.beacon.close()
    wait_for(lambda: situation(pair) is Situation.LEFT)
    assert not pair.side.playing
    assert not pair.spare.status().finished
    assert pair.side.take_over() is None
    wait_for(lambda: not pair.spare._deck.read()[0].silent)
    pair.spare.press(Command.START)
    wait_for(lambda: pair.spare.status().now.transport != State.STOPPED)


def test_the_beacon_goes_on_when_its_host_is_gone(pair: Pair) -> None:
    follows(pair)
    forsake(pair.beacon)
    number = pair.side._spare.first.word.number
    wait_for(lambda: pair.side._spare.first.word.number > number + 20)
    assert situation(pair) is Situation.FOLLOWING


def forsake(beacon: BeaconHost) -> None:
    """What is left of a beacon whose host was killed."""
    beacon._closing.set()
    beacon._child._process.stdin.close()  # without the leave note


def test_another_host_relieves_the_beacon_and_hears_the_spare(pair: Pair) -> None:
    follows(pair)
    forsake(pair.beacon)
    heard_ns = system.now_ns()
    before = pair.side._spare.first
    job = replace(pair.beacon._job, letter=Letter(11, "", "", "again"))
    with BeaconHost(job, must=False) as again:
        wait_for(lambda: again.heard.heard is Heard.GOES_ALONG)
        wait_for(lambda: not pair.beacon._child.alive)
        wait_for(lambda: pair.side.status().computer == "again")
        assert situation(pair) is Situation.FOLLOWING
        assert pair.side._spare.first.got > before.got, "the same computer all the while"
        assert pair.side._spare.rival_ns < heard_ns
    wait_for(lambda: situation(pair) is Situation.LEFT)  # the goodbye is the last host's
    assert not pair.side.playing


def test_a_beacon_that_dies_is_replaced_before_the_spare_takes_over(pair: Pair) -> None:
    patient = replace(OWN, patience_ns=10_000_000_000)  # a busy machine mends slowly
    pair.side._own = replace(patient, run=12)
    follows(pair)
    before, number = pair.beacon._child, pair.side._spare.first.word.number
    time.sleep(2.1)  # it has lived for a while
    os.kill(before.pid, signal.SIGKILL)
    wait_for(lambda: pair.beacon._child not in (before, None))
    wait_for(lambda: pair.beacon.heard.heard is Heard.GOES_ALONG and not pair.beacon.heard.trouble)
    assert pair.side._spare.first.word.number > number
    assert situation(pair) is Situation.FOLLOWING


def test_a_beacon_that_hangs_is_waited_for_no_longer_than_the_spare_waits(pair: Pair) -> None:
    follows(pair)
    forsake(pair.beacon)
    os.kill(pair.beacon._child.pid, signal.SIGSTOP)
    with BeaconHost(pair.beacon._job) as again:
        wait_for(lambda: again.heard.heard is Heard.GOES_ALONG)
        assert not pair.side.playing
        os.kill(pair.beacon._child.pid, signal.SIGCONT)
        wait_for(lambda: not pair.beacon._child.alive)
        assert situation(pair) is Situation.FOLLOWING


def test_a_beacon_that_cannot_start_beside_a_show_that_plays_is_tried_again(
    pair: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    follows(pair)
    forsake(pair.beacon)
    with monkeypatch.context() as patch:
        patch.setattr(BeaconHost, "_start", no_luck)
        with pytest.raises(EngineError):
            BeaconHost(pair.beacon._job)
        again = BeaconHost(pair.beacon._job, must=False)
        wait_for(lambda: "hears nothing" in again.heard.trouble)
    wait_for(lambda: again.heard.heard is Heard.GOES_ALONG)
    again.close()


def no_luck(self: BeaconHost) -> None:
    raise EngineError("no luck")


@pytest.mark.parametrize("other", [replace(OWN, show=99), replace(OWN, place_version=99)])
def test_another_show_is_never_followed_nor_taken_over(other: Own) -> None:
    with computers(other) as pair:
        pair.first.press(Command.START)
        wait_for(lambda: situation(pair) is Situation.MISFIT)
        wait_for(lambda: pair.beacon.heard.heard is Heard.MISFIT)
        assert pair.side.take_over() is Refusal.OTHER_SHOW
        assert pair.spare.status().now.transport == State.STOPPED
        pair.kill_first()
        wait_for(lambda: pair.side.status().ago_ms > 2500)
        assert not pair.side.playing


def test_strangers_and_floods_do_nothing(pair: Pair) -> None:
    follows(pair)
    noise = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    target = ("127.0.0.1", pair.side._post.port)
    torn = packet(Word(run=11, number=10**9, playing=1, age_ns=0))[:-3]
    other = packet(Word(run=77, number=10**9, playing=1, age_ns=0, show=7))
    place = packet(PlaceWord(77, 10**9, b'{"frame": 0}'))
    for _ in range(300):
        for data in (b"", b"hello", b"\x00" * 1400, torn, other, place):
            noise.sendto(data, target)
    wait_for(lambda: pair.side.status().rival)
    assert situation(pair) is Situation.FOLLOWING
    assert pair.side._post.strangers > 100
    noise.close()


def test_what_passes_by_itself_is_no_news() -> None:
    place = b'{"frame":1,"shown":{"bar":1},"transport":2,"runs":[{"at":[0,1],"started":0}]}'
    later = b'{"frame":9,"shown":{"bar":2},"transport":2,"runs":[{"at":[0,1],"started":1}]}'
    assert essence_of(place) == essence_of(later)
    assert essence_of(place) != essence_of(later.replace(b'"transport":2', b'"transport":3'))
    assert essence_of(b"no json") != essence_of(b"none either")


@pytest.mark.parametrize("text", ["", "10.0.0.2:", "10.0.0.2:x", "10.0.0.2:70000", "a b", ":5"])
def test_addresses_that_are_none(text: str) -> None:
    with pytest.raises(DeviceError, match="not the address"):
        address_of(text)


def test_addresses() -> None:
    assert address_of("127.0.0.1") == ("127.0.0.1", 51_730)
    assert address_of(" 127.0.0.1:5000 ") == ("127.0.0.1", 5000)


def test_a_port_that_another_program_has_is_said() -> None:
    post = Post()
    with pytest.raises(DeviceError, match="cannot be used"):
        Post(post.port)
    post.close()
