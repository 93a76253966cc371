"""All drivers play one song and must agree: what is rendered is what is played."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from building import RIG, item, play, program_of, section, song
from listening import capture, connected, wait_for

from syncbox.drivers.offline import USUAL
from syncbox.drivers.session import open_session
from syncbox.drivers.simulated import Faults, simulate
from syncbox.engine.play import play_program
from syncbox.engine.transport import Command
from syncbox.score.meter import Meter
from syncbox.score.song import MeterChange, Ramp, Span

PORTS = tuple(replace(port, match=f"listener:in_{index}") for index, port in enumerate(RIG.ports))


@pytest.fixture(scope="module")
def program():
    opening = section("Opening", 3, item(MeterChange(Meter.of(7, 8, (2, 2, 3))), 2))
    rush = section("Rush", 2, item(Ramp(Fraction(320), Span(bars=2)), 1))
    return program_of(song(opening, rush, tempo=240), rig=replace(RIG, ports=PORTS))


def between_start_and_stop(events):
    """Events as (port, frames after Start, bytes), from Start to Stop."""
    start = next(frame for frame, _, data in events if data == b"\xfa")
    stop = next(frame for frame, _, data in events if data == b"\xfc")
    return [(port, frame - start, data) for frame, port, data in events if start <= frame <= stop]


@pytest.fixture(scope="module")
def offline(program):
    played = play(program)
    return between_start_and_stop([(frame, port, data) for frame, port, data, _ in played.midi])


def test_the_simulated_driver_agrees(program, offline):
    heard = simulate(
        play_program(program, script=USUAL),
        rate=program.rate,
        frames=8 * program.rate,
        presses=[(48_000, Command.START)],
        faults=Faults(seed=3, drift_ppm=80, jitter_us=900),
    )
    assert heard.gaps == []
    assert offline == between_start_and_stop([(e.frame, e.port, e.data) for e in heard.events])
    assert len(offline) > 300


@pytest.mark.parametrize("block_frames", [16, 64, 1024])
def test_block_length_changes_nothing(program, block_frames):
    def render(frames):
        heard = simulate(
            play_program(program, script=USUAL, soft_start=False),
            rate=program.rate,
            frames=3 * 48_000,
            presses=[(0, Command.START)],
            block_frames=frames,
            keep_audio=True,
        )
        assert heard.audio is not None
        return heard.audio[:, : 3 * 48_000], [(e.frame, e.port, e.data) for e in heard.events]

    audio, events = render(block_frames)
    whole_audio, whole_events = render(256)
    assert np.array_equal(audio, whole_audio)
    assert [e for e in events if e[0] < 144_000] == [e for e in whole_events if e[0] < 144_000]


def test_a_stalled_device_loses_time_but_keeps_the_grid(program, offline):
    heard = simulate(
        play_program(program, script=USUAL),
        rate=program.rate,
        frames=8 * program.rate,
        presses=[(0, Command.START)],
        faults=Faults(seed=11, stall_chance=0.01, stall_ms_max=30),
    )
    assert heard.gaps
    lost = [range(first, first + count) for first, count in heard.gaps]
    played = between_start_and_stop([(e.frame, e.port, e.data) for e in heard.events])
    clocks = [event for event in played if event[2] == b"\xf8"]
    on_the_grid = {event for event in offline if event[2] == b"\xf8"}
    late = [event for event in clocks if event not in on_the_grid]
    # No clock is left out; only those of a lost block are late, at the first frame after it.
    assert len(clocks) == len(on_the_grid)
    start = next(e.frame for e in heard.events if e.data == b"\xfa")
    ends = {gap.stop for gap in lost}
    assert all(frame + start in ends for _, frame, _ in late)


@pytest.mark.jack
def test_jack_agrees(program, offline, jack_server):
    for _ in range(3):
        heard, clean = play_on_jack(program, jack_server)
        if clean:
            assert heard == offline
            return
    pytest.skip("this computer is too busy to play three bars without a dropout")


def play_on_jack(program, server):
    """What a listener heard from Start to Stop, and whether it heard all of it."""
    with (
        open_session(program, "jack", device=server, script=USUAL) as session,
        capture(server, midi_ports=3) as listener,
    ):
        wait_for(lambda: all(connected(session, port) for port in range(3)))
        session.press(Command.START)
        wait_for(lambda: session.status().now.songs_over + session.status().now.sets_over)
        wait_for(lambda: "fc" in listener.messages())
        heard, status = listener.heard(), session.status()
    events = [(frame, port, bytes.fromhex(data)) for port, frame, data in heard["midi"]]
    return between_start_and_stop(events), not (heard["gaps"] or status.dropouts)
