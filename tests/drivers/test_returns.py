from __future__ import annotations

import time
from contextlib import contextmanager

import pytest
from building import RIG, item, program_of, section, song
from listening import capture, until_heard, wait_for

from syncbox.drivers.hostside import NoPorts, PortState
from syncbox.drivers.returns import Returns
from syncbox.drivers.session import open_session
from syncbox.engine.returning import NOT_KNOWN, Refresh, refreshed
from syncbox.engine.transport import Command, State, unpacked
from syncbox.score.rig import Instrument, MidiPort, Rig
from syncbox.score.song import PatchChange

CLOCK_FRAMES, BAR_FRAMES = 500, 48_000  # at 240 quarters a minute and 48 kHz


class Looks:
    """Port states as a driver's host side makes them, one look after the other."""

    def __init__(self, count, *, recorded_only=False):
        self.returns = Returns(count)
        self.states = [PortState(f"p{n}", (), recorded_only) for n in range(count)]

    def see(self, *connected, at_ns=0):
        both = zip(self.states, connected, strict=True)
        self.states = [state.connected_now(names, at_ns) for state, names in both]

    def told(self, *connected):
        self.see(*connected)
        found = []
        for number in self.returns.commands(self.states, lambda at_ns: at_ns // 1000):
            command, argument = unpacked(number)
            assert command is Command.REFRESH_PORT
            port, kind, self.since = refreshed(argument)
            found.append((port, Refresh(kind)))
        return found


def test_the_first_connection_and_a_return_bring_everything():
    looks = Looks(2)
    assert looks.told((), ("box",)) == [(1, Refresh.WHOLE)]
    assert looks.told((), ("box",)) == []
    assert looks.told((), ()) == []
    assert looks.told(("stand",), ("box",)) == [(0, Refresh.WHOLE), (1, Refresh.WHOLE)]


def test_the_engine_is_told_since_when_a_port_is_there():
    looks = Looks(1)
    looks.see(("box",), at_ns=48_000_000)
    assert looks.told(("box",)) == [(0, Refresh.WHOLE)]
    assert looks.since == 48_000
    looks.see((), at_ns=50_000_000)
    looks.see(("box",), at_ns=52_000_000)
    assert looks.told(("box",)) == [(0, Refresh.WHOLE)]
    assert looks.since == 52_000
    looks.returns.engine_was_away()
    assert looks.told(("box",)) == [(0, Refresh.MISSED)]
    assert looks.since == NOT_KNOWN


def test_a_port_that_was_away_between_two_looks_is_noticed():
    looks = Looks(1)
    looks.told(("box",))
    looks.see(())
    assert looks.told(("box",)) == [(0, Refresh.WHOLE)]


def test_a_second_box_on_a_port_does_not_disturb_the_first():
    looks = Looks(1)
    looks.told(("box",))
    assert looks.told(("box", "spare box")) == [(0, Refresh.SETTINGS)]


def test_after_the_engine_was_away_a_box_that_stayed_gets_what_it_missed():
    looks = Looks(3)
    looks.told(("box",), ("stand",), ())
    looks.returns.engine_was_away()
    assert looks.told((), (), ()) == []
    assert looks.told(("box",), (), ("new",)) == [(0, Refresh.MISSED), (2, Refresh.WHOLE)]
    assert looks.told(("box",), ("stand",), ("new",)) == [(1, Refresh.MISSED)]


def test_ports_that_are_only_recorded_need_nothing_but_after_an_absence():
    looks = Looks(1, recorded_only=True)
    assert looks.told(()) == []
    looks.returns.engine_was_away()
    assert looks.told(()) == [(0, Refresh.MISSED)]
    assert looks.told(()) == []


def rig(*ports: str) -> Rig:
    return Rig(
        ports=tuple(
            MidiPort(name, f"listener:in_{n}", clock=True, start_stop=True, song_position=True)
            for n, name in enumerate(ports)
        ),
        instruments=(Instrument("organ", "stand", 1), Instrument("choir", "strings", 1)),
        mixes=RIG.mixes,
    )


@contextmanager
def two_ports_that_play(server):
    """A session that has just been started, with a listener on both its ports."""
    written = song(
        section("A", 1, item(PatchChange("organ", "5")), item(PatchChange("choir", "4"))),
        section("B", 90, item(PatchChange("organ", "7"))),
        tempo=240,
    )
    program = program_of(written, rig=rig("stand", "strings"))
    with (
        open_session(program, "jack", device=server) as session,
        capture(server, midi_ports=2) as listener,
    ):
        wait_for(lambda: all(port.connected_to for port in session.status().ports))
        session.press(Command.START)
        yield session, listener


def away_in_mid_song(server):
    with two_ports_that_play(server) as (session, listener):
        wait_for(lambda: session.status().now.bar >= 2)
        listener.tell("drop 0")
        wait_for(lambda: session.status().ports[0].missing)
        others_before = [row for row in listener.heard()["midi"] if row[0] == 1]
        heard_before = len(listener.messages())
        listener.tell("add 0")
        time.sleep(2.5)  # a bar, and more
        heard, status = listener.heard(), session.status()
    assert status.now.transport == State.ROLLING
    back = [row for row in heard["midi"] if row[0] == 0][heard_before:]
    others = [row for row in heard["midi"] if row[0] == 1]
    whole = {"fc", "fb"} <= {data for _, _, data in back} and "fa" in [row[2] for row in others]
    spoilt = heard["gaps"] or status.dropouts
    return None if spoilt and not whole else (back, others, len(others_before))


def started_at_once(server):
    """What two ports hear that were connected a moment before Start; None if a dropout hit it."""
    with two_ports_that_play(server) as (session, listener):
        wait_for(lambda: session.status().now.bar >= 3)  # of a second each
        found, dropouts = listener.heard(), session.status().dropouts
    heard = [[data for at, _, data in found["midi"] if at == port] for port in range(2)]
    whole = {"fa", "c004", "c006"} <= set(heard[0]) and {"fa", "c003"} <= set(heard[1])
    return None if (found["gaps"] or dropouts) and not whole else heard


@pytest.mark.jack
@pytest.mark.timeout(120)
def test_a_port_that_is_plugged_in_just_before_start_plays_along(jack_server):
    organ, choir = until_heard(lambda: started_at_once(jack_server))
    for messages, patches in ((organ, {"c004", "c006"}), (choir, {"c003"})):
        news = [data for data in messages if data != "f8"]
        assert set(news) == {"fa", *patches}
        assert news.count("fa") == 1


class Plugged(NoPorts):
    """A host side that sees its only port connected from a moment of host time on."""

    def __init__(self, states):
        self.states = states

    def port_states(self):
        return self.states


@pytest.mark.parametrize("late", [False, True])
def test_without_audio_hardware_it_is_the_same(late):
    written = song(section("A", 90, item(PatchChange("organ", "5"))), tempo=240)
    states = (PortState("stand", ()), PortState("strings", ()))
    with open_session(program_of(written, rig=rig("stand", "strings")), "simulated") as session:
        session._side.close()
        session._side = side = Plugged(states)
        wait_for(lambda: session.status().blocks > 10)
        there_ns = session.status().host_ns
        wait_for(lambda: session.status().blocks > 30)
        session.press(Command.START)
        wait_for(lambda: session.status().now.bar >= 1)
        since_ns = session.status().host_ns if late else there_ns
        side.states = (states[0].connected_now(("box",), since_ns), states[1])
        wait_for(lambda: session.status().now.bar >= 3)
        sent = [event.why for event in session.sent() if event.port == 0]
    told = [why for why in sent if why in ("start", "stop", "continue")]
    assert told[:3] == (["start", "stop", "continue"] if late else ["start"])
    assert sent.count("patch") == 2  # the first one went nowhere


@pytest.mark.jack
@pytest.mark.timeout(120)
def test_a_port_that_returns_in_mid_song_is_brought_up_to_date_alone(jack_server):
    """MIDI 1.0 4.2.1 p. 27-31: position while stopped, six clocks to each, Continue in time."""
    back, others, others_before = until_heard(lambda: away_in_mid_song(jack_server))
    news = [data for _, _, data in back if data != "f8"]
    assert sorted(news[:2]) == ["c006", "fc"]
    assert news[2][:2] == "f2"
    assert news[3:] == ["fb"]
    assert {data for _, _, data in others[others_before:]} == {"f8"}
    # The position is the number of clocks by six that the neighbour has had since its Start.
    started = next(frame for _, frame, data in others if data == "fa")
    downbeat = next(frame for _, frame, data in others if data == "f8" and frame > started)
    continued = next(frame for _, frame, data in back if data == "fb")
    first = next(frame for _, frame, data in back if data == "f8" and frame > continued)
    position = int(news[2][2:4], 16) + 128 * int(news[2][4:6], 16)
    assert first - downbeat == 6 * position * CLOCK_FRAMES
    assert (first - downbeat) % BAR_FRAMES == 0
