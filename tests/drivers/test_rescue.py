"""Engines and servers that die in mid-song, and what the band hears of it."""

from __future__ import annotations

import os
import signal
import time
from itertools import pairwise

import numpy as np
import pytest
from building import RIG, item, program_of, section, song
from listening import capture, until_heard, wait_for

from syncbox.drivers.rescue import FALLS_MAX, RETRY_S, Fall, Rescue, fall_of
from syncbox.drivers.session import open_session
from syncbox.engine.records import Health, Pulse
from syncbox.engine.transport import Command, State
from syncbox.errors import EngineError
from syncbox.score.rig import Instrument, MidiPort, Rig
from syncbox.score.song import Click, ClickBeats, PatchChange

RATE = 48_000
TEMPO_QPM = 240  # a click every 12 000 frames
CLICK_FRAMES = 12_000


class Clock:
    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def test_what_is_wrong_with_an_engine():
    assert fall_of(None, alive=True) is None
    assert fall_of(Pulse(health=Health.RUNNING), alive=True) is None
    assert fall_of(Pulse(health=Health.RUNNING), alive=False) is Fall.DIED
    assert fall_of(Pulse(health=Health.FAILED), alive=True) is Fall.FAILED
    assert fall_of(Pulse(health=Health.AUDIO_LOST), alive=True) is Fall.AUDIO_LOST
    assert fall_of(Pulse(health=Health.FINISHED), alive=False) is None


def test_an_engine_that_dies_again_and_again_is_left_alone():
    rescue = Rescue(Clock())
    for _ in range(FALLS_MAX - 1):
        rescue.fell(Fall.DIED, "")
        assert rescue.due
        rescue.is_back()
    rescue.fell(Fall.DIED, "MemoryError")
    assert not rescue.due
    assert rescue.given_up
    assert "MemoryError" in rescue.words


def test_falls_of_long_ago_are_forgotten():
    clock = Clock()
    rescue = Rescue(clock)
    for _ in range(3 * FALLS_MAX):
        rescue.fell(Fall.DIED, "")
        clock.now_s += 30
    assert not rescue.given_up


def test_a_lost_device_is_asked_for_until_it_is_back():
    clock = Clock()
    rescue = Rescue(clock)
    rescue.fell(Fall.AUDIO_LOST, "")
    for _ in range(10 * FALLS_MAX):
        assert rescue.due
        rescue.could_not_start("it is gone")
        assert not rescue.due
        clock.now_s += RETRY_S
    rescue.is_back()
    assert not rescue.away
    assert rescue.words == ""


def written():
    return song(
        section("A", 4, item(PatchChange("organ", "5")), item(PatchChange("choir", "4"))),
        section("B", 90, item(PatchChange("organ", "7"))),
        tempo=TEMPO_QPM,
        click=Click(ClickBeats.BEATS),
    )


def rig():
    return Rig(
        ports=tuple(
            MidiPort(name, f"listener:in_{n}", clock=True, start_stop=True, song_position=True)
            for n, name in enumerate(("stand", "strings"))
        ),
        instruments=(Instrument("organ", "stand", 1), Instrument("choir", "strings", 1)),
        mixes=RIG.mixes,
    )


def onsets(heard):
    """First frames of clicks on channel 0."""
    frames = sorted({frame for channel, frame, _ in heard["audio"] if channel == 0})
    return [b for a, b in pairwise([-RATE, *frames]) if b - a > CLICK_FRAMES // 3]


def hear_again(listener, session, until):
    def heard():
        listener.tell("again")
        return until()

    wait_for(heard)


def kill_in_mid_song(server):
    """Clicks before and after, MIDI after, and what was known before and after."""
    program = program_of(written(), rig=rig())
    with (
        open_session(program, "jack", device=server, level_db=0.0) as session,
        capture(server, midi_ports=2, sources=[f"{session.client}:out_1"]) as listener,
    ):
        wait_for(lambda: all(port.connected_to for port in session.status().ports))
        session.press(Command.START)
        wait_for(lambda: session.status().now.section_index == 1 and session.status().now.bar > 1)
        before, pid = session.status(), session._engine.pid
        told_before = len(listener.messages(0))
        os.kill(pid, signal.SIGKILL)
        wait_for(lambda: session.status().rescuing)
        wait_for(lambda: session.status().engine_alive and session._engine.pid != pid)
        here = len(listener.heard()["audio"])
        hear_again(listener, session, lambda: len(listener.heard()["audio"]) > here + 12_000)
        time.sleep(1.5)  # a bar, and more
        heard, after = listener.heard(), session.status()
    clicks = np.array(onsets(heard))
    gap = int(np.argmax(np.diff(clicks)))
    told = [row for row in heard["midi"] if row[0] == 0][told_before:]
    grid = (clicks - clicks[0]) % CLICK_FRAMES == 0
    # A block that the machine drops may cut off the beginning of a click, or swallow a message.
    spoilt = bool(heard["gaps"]) or after.dropouts > before.dropouts + 1
    enough = grid[: gap + 1].sum() >= 3 and grid[gap + 1 :].sum() >= 2
    if spoilt and not (enough and "fb" in [data for _, _, data in told]):
        return None
    return clicks, grid, told, (before, after), spoilt


@pytest.mark.jack
@pytest.mark.timeout(180)
def test_after_a_killed_engine_the_click_is_back_on_the_grid(jack_server):
    clicks, on_grid, told, (was, status), spoilt = until_heard(
        lambda: kill_in_mid_song(jack_server)
    )
    # The band's grid goes on, to the frame. The listener may have plugged itself in while
    # the first click sounded.
    gap = int(np.argmax(np.diff(clicks)))
    assert on_grid[gap + 1 :].sum() >= 2
    assert on_grid[gap + 2 :].all() or spoilt
    assert status.audio_frame_zero == was.audio_frame_zero
    assert status.now.transport == State.ROLLING
    assert not status.trouble
    # Stop and silence, then the place, and Continue; no patch that is there already.
    news = [data for _, _, data in told if data != "f8"]
    news = news[: news.index("fb") + 1]
    assert news[0] == "fc"
    assert news[-2][:2] == "f2"
    assert not [data for data in news if data.startswith("c")]
    # What the position says is where the clocks before it had come to.
    begun = clicks[0]
    continued = next(frame for _, frame, data in told if data == "fb")
    position = int(news[-2][2:4], 16) + 128 * int(news[-2][4:6], 16)
    sixteenths = (continued - begun) * 4 / CLICK_FRAMES
    assert position == pytest.approx(sixteenths, abs=0.1)


@pytest.mark.jack
@pytest.mark.timeout(120)
def test_when_the_audio_server_comes_back_so_does_the_click_where_the_band_is(
    own_jack_server, start_jackd
):
    program = program_of(written(), rig=rig())
    with open_session(program, "jack", device=own_jack_server.name, level_db=0.0) as session:
        session.press(Command.START)
        wait_for(lambda: session.status().now.bar >= 2)
        before = session.status()
        own_jack_server.process.kill()
        own_jack_server.process.wait()
        wait_for(lambda: "No sound" in session.status().trouble)
        assert session.status().rescuing
        with start_jackd(block_frames=512) as server:
            assert server.name == own_jack_server.name
            wait_for(lambda: session.status().engine_alive)
            with capture(server.name, sources=[f"{session.client}:out_1"]) as listener:
                wait_for(lambda: len(listener.heard()["audio"]) > 12_000)
                heard, after = listener.heard(), session.status()
    # A late dummy server lets its own clock stand still: on a busy machine they drift apart.
    elapsed_frames = (after.host_ns - before.host_ns) * RATE / 1e9
    assert after.frame - before.frame == pytest.approx(elapsed_frames, abs=RATE / 3)
    ours = (np.array(onsets(heard)) - after.audio_frame_zero) % 2**32  # JACK counts in 32 bits
    on_grid = (ours - before.now.beat_frame) % CLICK_FRAMES == 0
    # A block that the machine drops may cut off the beginning of a click.
    assert on_grid.sum() >= 2


@pytest.mark.timeout(60)
def test_without_audio_hardware_it_is_the_same():
    program = program_of(written(), rig=rig())
    with open_session(program, "simulated") as session:
        session.press(Command.START)
        wait_for(lambda: session.status().now.bar >= 2)
        before = session.status()
        os.kill(session._engine.pid, signal.SIGKILL)
        wait_for(lambda: session.status().blocks > before.blocks + 600)
        after = session.status()
    elapsed_frames = (after.host_ns - before.host_ns) * RATE / 1e9
    assert after.frame - before.frame == pytest.approx(elapsed_frames, abs=RATE / 3)
    assert after.now.transport == State.ROLLING
    assert after.dropouts > before.dropouts


@pytest.mark.timeout(60)
def test_presses_while_it_is_away_count_when_it_is_back():
    program = program_of(written(), rig=rig())
    with open_session(program, "simulated") as session:
        session.press(Command.START)
        wait_for(lambda: session.status().now.bar >= 2)
        os.kill(session._engine.pid, signal.SIGKILL)
        wait_for(lambda: session.status().rescuing)
        session.press(Command.STOP)
        wait_for(lambda: session.status().engine_alive)
        wait_for(lambda: session.status().now.transport == State.STOPPED)


@pytest.mark.timeout(60)
def test_one_that_keeps_dying_is_given_up():
    program = program_of(written(), rig=rig())
    with open_session(program, "simulated") as session:
        for _ in range(FALLS_MAX):
            wait_for(lambda: session.status().engine_alive)
            os.kill(session._engine.pid, signal.SIGKILL)
            wait_for(lambda: not session.status().engine_alive)
            wait_for(lambda: session.status().engine_alive or session._rescue.given_up)
        assert "not started again" in session.status().trouble
        with pytest.raises(EngineError):
            session.press(Command.START)
