"""Pedals and keyboards through a real JACK server: played by one client, heard by another."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest
from building import RIG, program_of, section, song
from listening import capture, wait_for

from syncbox.drivers.session import open_session
from syncbox.engine.transport import State
from syncbox.lab.hands import Hands
from syncbox.score.controls import Control, Sign, SignKind, Zone

pytestmark = pytest.mark.jack

PEDAL, KEYS = 0, 1
DOWN, UP = b"\xb0\x40\x7f", b"\xb0\x40\x00"


def stage_program():
    start = Control("start", "pedals", Sign(SignKind.CONTROLLER, 64, 64))
    rig = replace(
        RIG,
        ports=(
            replace(RIG.ports[0], match="nothing"),
            replace(RIG.ports[1], match="listener:in_*"),
            replace(RIG.ports[2], match="nothing"),
        ),
        controls=(start,),
        input_ports={"pedals": "*:foot*", "strings": "*:keys*"},
        zones=(Zone("strings", "choir", transpose=12),),
    )
    return program_of(song(section("A", 8)), rig=rig)


def plugged(session):
    return [bool(state.connected_to) for state in session.status().ports]


def test_a_pedal_starts_and_keys_sound_at_their_frame(jack_server):
    with (
        Hands(jack_server, ("foot", "keys")) as hands,
        open_session(stage_program(), "jack", device=jack_server) as session,
        capture(jack_server) as listener,
    ):
        # An input that is called like a port has a name of its own in JACK.
        assert [state.name for state in session.status().ports][3:] == ["pedals", "strings-in"]
        wait_for(lambda: plugged(session) == [False, True, False, True, True])
        # What is held when a box that has just been connected is silenced is over then.
        wait_for(lambda: any(event.why == "panic" for event in session.sent()))
        strokes = [(100, KEYS, bytes((0x90, 40 + n, 64))) for n in range(20)]
        strokes += [(100, KEYS, bytes((0x80, 40 + n, 64))) for n in range(20)]
        sent = hands.play(strokes)
        late = hands.gaps
        heard = when_quiet(listener)
        until(
            lambda: hands.play([(0, PEDAL, DOWN), (5_000, PEDAL, UP)]),
            lambda: session.status().now.transport != State.STOPPED,
        )
        status = session.status()
    wanted = [
        (frame, bytes((data[0], data[1] + 12, data[2])).hex())
        for frame, (_, _, data) in zip(sent, strokes, strict=True)
    ]
    # The silencing of the box is no note, but controllers.
    found = [(frame, data) for _, frame, data in heard["midi"] if data[0] != "b"]
    # Dropouts lose events on a loaded machine; they never move one.
    assert found == wanted or heard["gaps"] or status.dropouts or late
    assert set(found) <= set(wanted)
    assert len(found) > 20
    assert status.now.heard_lost == 0


def when_quiet(listener):
    """All that was heard, when nothing more comes."""
    seen = -1
    while len(listener.messages()) != seen:
        seen = len(listener.messages())
        time.sleep(0.3)
    return listener.heard()


def until(again, reached, *, times=20):
    """Do something again until it has had its effect: a dropout may lose a message."""
    for _ in range(times):
        again()
        time.sleep(0.2)
        if reached():
            return
    raise AssertionError("it never had an effect")


def test_a_keyboard_whose_cable_is_pulled_leaves_no_note_behind(jack_server):
    with (
        Hands(jack_server, ("foot", "keys")) as hands,
        open_session(stage_program(), "jack", device=jack_server) as session,
        capture(jack_server) as listener,
    ):
        wait_for(lambda: plugged(session)[1:] == [True, False, True, True])
        # The box has just been connected, so it is silenced first; that would end the note too.
        wait_for(lambda: any(event.why == "panic" for event in session.sent()))
        until(
            lambda: hands.play([(0, KEYS, b"\x90\x3c\x40"), (0, KEYS, DOWN)]),
            lambda: {"904840", "b0407f"} <= set(listener.messages()),
        )
        session.sent()
        hands.unplug(KEYS)
        # What the engine sent, not what was heard: a dropout of the listener's may lose it.
        sent = []
        wait_for(lambda: sent.extend(session.sent()) or b"\x80\x48\x40" in played(sent))
        assert played(sent) == [UP, b"\x80\x48\x40"]
        wait_for(lambda: session.status().ports[4].missing)


def played(sent):
    return [event.data for event in sent if event.why == "played"]
