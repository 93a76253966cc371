from __future__ import annotations

import os
import signal
import time

import pytest
import stand_in
from listening import capture, connected, wait_for
from stand_in import CLOCK_FRAMES, KIND, LONG_SYSEX, Press

from syncbox.drivers.choose import choose
from syncbox.drivers.portaudio import DacClock
from syncbox.drivers.session import open_session
from syncbox.errors import DeviceError


@pytest.fixture
def through_jack(jack_server, monkeypatch):
    """PortAudio and rtmidi reach the dummy server by JACK's own variable."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", jack_server)
    return jack_server


def collect(session, count):
    events = []

    def enough():
        events.extend(session.sent())
        return len(events) >= count

    wait_for(enough)
    return events


@pytest.mark.jack
def test_events_reach_a_port_in_order_and_never_early(through_jack):
    program = stand_in.program("listener:in_*")
    with (
        capture(through_jack) as listener,
        open_session(program, "portaudio", device="system", kind=KIND) as session,
    ):
        wait_for(lambda: connected(session))
        time.sleep(0.5)  # the sender opens the port a moment after it was told to
        session.press(Press.START)
        session.press(Press.SYSEX)
        sent = collect(session, 40)
        wait_for(lambda: len(listener.messages()) >= 40)
        heard = listener.messages()
        status = session.status()
    assert heard[:40] == [event.data.hex() for event in sent[:40]]
    assert LONG_SYSEX.hex() in heard
    assert all(event.actual_ns >= event.asked_ns for event in sent)
    assert all(event.frame % CLOCK_FRAMES == 0 for event in sent if event.why == "clock")
    assert status.driver == "portaudio"
    assert any("start of an audio block" in note for note in status.notes)
    assert session.sent()[-1].data == b"\xfc"


@pytest.mark.jack
def test_a_killed_engine_does_not_leave_notes_hanging(through_jack):
    with capture(through_jack) as listener:
        program = stand_in.program("listener:in_*")
        session = open_session(program, "portaudio", device="system", kind=KIND)
        session.press(Press.START)
        wait_for(listener.messages)
        os.kill(session._engine.pid, signal.SIGKILL)
        wait_for(lambda: "b27b00" in listener.messages())
        assert listener.messages()[-5:] == ["fc", "b24000", "b27800", "b27900", "b27b00"]
        session.close()


@pytest.mark.jack
def test_a_rig_with_more_outputs_than_the_device_is_told_so(through_jack):
    program = stand_in.program(outputs=4)
    with open_session(program, "portaudio", kind=KIND) as session:
        notes = session.status().notes
    assert any("the last 2 of the rig's 4 are not heard" in note for note in notes)


@pytest.mark.jack
def test_a_device_that_is_not_there(through_jack):
    with pytest.raises(DeviceError, match="no audio output device is called cassette"):
        choose("portaudio", "cassette")


def test_the_dac_clock_follows_the_device_not_the_jitter():
    clock = DacClock(48_000, latency_s=0.01)
    for block in range(2_000):
        jitter_ns = (block * 7919) % 400_000
        now_ns = 10**15 + block * 5_333_333 + jitter_ns
        # The callback sees the same lateness in its own "now", so the sum is steady.
        heard_s = clock.heard_s(now_ns, 0.02 - jitter_ns * 1e-9)
        clock.block(block * 256, 256, heard_s)
    ideal_ns = 10**15 + 1_999 * 5_333_333 + 20_000_000
    assert abs(clock.due_ns(1_999 * 256) - ideal_ns) < 20_000
    step_ns = clock.due_ns(1_999 * 256 + 128) - clock.due_ns(1_999 * 256)
    assert abs(step_ns - 2_666_667) < 1_000


def test_without_a_told_time_the_latency_has_to_do():
    clock = DacClock(48_000, latency_s=0.01)
    clock.block(0, 256, clock.heard_s(10**15, 0.0))
    assert clock.due_ns(0) == 10**15 + 10_000_000


def test_after_a_gap_messages_go_on_to_be_sent_when_their_frame_is_heard():
    clock = DacClock(48_000, latency_s=0.01)
    frame = 0
    for block in range(500):
        frame += 512 if block == 400 else 0
        due_s = frame / 48_000
        clock.block(frame, 256, clock.heard_s(10**15, 0.0) + due_s)
        frame += 256
    error_ns = clock.due_ns(frame) - 10**15 - 10_000_000 - round(frame / 48_000 * 1e9)
    assert abs(error_ns) < 10_000


def test_the_turn_of_a_block_is_told_by_the_card_not_by_a_late_callback():
    clock = DacClock(48_000, latency_s=0.01)
    for block in range(2_000):
        late_ns = 30_000_000 if block == 1_900 else (block * 7919) % 400_000
        now_ns = 10**15 + block * 5_333_333 + late_ns
        heard_s = clock.heard_s(now_ns, 0.04 - late_ns * 1e-9)
        turn_ns = clock.turn_ns(block * 256, now_ns, heard_s)
        clock.block(block * 256, 256, heard_s)
        if block > 1_500:
            assert abs(turn_ns - (10**15 + block * 5_333_333)) < 700_000
