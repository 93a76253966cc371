from __future__ import annotations

import os
import signal
import time

import pytest
import stand_in
from listening import capture, connected, wait_for
from stand_in import BEAT_FRAMES, CLOCK_FRAMES, KIND, LONG_SYSEX, Press

from syncbox.drivers.choose import choose
from syncbox.drivers.scan import scan
from syncbox.drivers.session import open_session
from syncbox.errors import DeviceError

pytestmark = pytest.mark.jack


def open_on(server, *matches, outputs=2):
    program = stand_in.program(*(matches or ("listener:in_*",)), outputs=outputs)
    return open_session(program, "jack", device=server, kind=KIND)


def test_click_and_clock_arrive_on_their_frames(jack_server):
    with open_on(jack_server, outputs=3) as session:
        sources = [f"syncbox:out_{number}" for number in (1, 2, 3)]
        with capture(jack_server, sources=sources) as listener:
            wait_for(lambda: connected(session))
            session.press(Press.START)
            wait_for(lambda: len(listener.messages()) > 100)
            heard = listener.heard()
            status = session.status()
    zero = status.audio_frame_zero
    clocks = [frame - zero for _, frame, data in heard["midi"] if data == "f8"]
    clicks = [(channel, frame - zero) for channel, frame, _ in heard["audio"]]
    # Dropouts lose events on a loaded machine; they never move one.
    assert all(frame % CLOCK_FRAMES == 0 for frame in clocks)
    assert all(frame % BEAT_FRAMES == 0 for _, frame in clicks)
    assert {channel for channel, _ in clicks} == {0, 1, 2}
    assert all(sample == 0.5 for _, _, sample in heard["audio"])
    assert len(set(clocks)) == len(clocks)
    whole = range(clocks[0], clocks[-1] + 1, CLOCK_FRAMES)
    assert set(clocks) == set(whole) or status.dropouts or heard["gaps"]
    assert heard["midi"][0][2] == "fa"
    assert status.engine_alive
    assert status.rate == 48_000
    assert status.block_frames == 256
    assert status.callback.max_us > 0


def test_what_was_sent_is_what_was_heard(jack_server):
    with open_on(jack_server) as session, capture(jack_server) as listener:
        wait_for(lambda: connected(session))
        session.press(Press.SYSEX)
        session.press(Press.START)
        wait_for(lambda: len(listener.messages()) > 30)
        heard = listener.heard()
        sent = session.sent()
        status = session.status()
    if not heard["gaps"]:
        told = [(event.frame, event.data.hex()) for event in sent]
        zero = status.audio_frame_zero
        assert [(frame - zero, data) for _, frame, data in heard["midi"]] == told[
            : len(heard["midi"])
        ]
    assert LONG_SYSEX.hex() in [data for _, _, data in heard["midi"]]
    assert status.midi_refused == 0
    assert status.log_refused == 0


def test_leaving_sends_stop_last(jack_server):
    with capture(jack_server) as listener:
        with open_on(jack_server) as session:
            wait_for(lambda: connected(session))
            session.press(Press.START)
            wait_for(lambda: len(listener.messages()) > 10)
        assert session.status().finished
        assert listener.messages()[-1] == "fc"


def test_a_port_that_disappears_while_playing_is_connected_again(jack_server):
    with open_on(jack_server, "LISTENER:in_0") as session, capture(jack_server) as listener:
        wait_for(lambda: connected(session))
        assert session.status().ports[0].connected_to == ("listener:in_0",)
        session.press(Press.START)
        wait_for(listener.messages)
        listener.tell("drop 0")
        wait_for(lambda: not connected(session))
        assert session.status().engine_alive
        before = len(listener.messages())
        listener.tell("add 0")
        wait_for(lambda: connected(session))
        wait_for(lambda: len(listener.messages()) > before)
        zero = session.status().audio_frame_zero
        clocks = [frame - zero for _, frame, data in listener.heard()["midi"] if data == "f8"]
        assert all(frame % CLOCK_FRAMES == 0 for frame in clocks)


def test_a_connection_taken_away_by_hand_stays_away(jack_server):
    import jack

    with open_on(jack_server) as session, capture(jack_server, midi_ports=2) as listener:
        wait_for(lambda: len(session.status().ports[0].connected_to) == 2)
        hand = jack.Client("hand", no_start_server=True, servername=jack_server)
        with hand:
            hand.disconnect("syncbox:box-0", "listener:in_1")
        wait_for(lambda: session.status().ports[0].connected_to == ("listener:in_0",))
        # A port that is new makes the patch bay look again.
        listener.tell("drop 0")
        wait_for(lambda: session.status().ports[0].connected_to == ())
        listener.tell("add 0")
        wait_for(lambda: session.status().ports[0].connected_to == ("listener:in_0",))


def test_a_killed_engine_does_not_leave_notes_hanging(jack_server):
    with capture(jack_server) as listener:
        session = open_on(jack_server)
        wait_for(lambda: connected(session))
        session.press(Press.START)
        wait_for(listener.messages)
        os.kill(session._engine.pid, signal.SIGKILL)
        wait_for(lambda: "b27b00" in listener.messages())
        assert listener.messages()[-5:] == ["fc", "b24000", "b27800", "b27900", "b27b00"]
        assert "died" in session.status().trouble
        session.close()


def test_a_stalled_engine_comes_back_on_the_grid(jack_server):
    with open_on(jack_server) as session, capture(jack_server) as listener:
        wait_for(lambda: connected(session))
        session.press(Press.START)
        wait_for(listener.messages)
        before = session.status().dropouts
        os.kill(session._engine.pid, signal.SIGSTOP)
        time.sleep(0.1)
        os.kill(session._engine.pid, signal.SIGCONT)
        wait_for(lambda: session.status().dropouts > before)
        seen = len(listener.messages())
        wait_for(lambda: len(listener.messages()) > seen + 20)
        heard, status = listener.heard(), session.status()
    assert status.lost_frames > 0
    assert status.now.skipped == status.dropouts
    zero = status.audio_frame_zero
    clocks = [frame - zero for _, frame, data in heard["midi"] if data == "f8"]
    assert all(frame % CLOCK_FRAMES == 0 for frame in clocks)


def test_a_computer_that_slept_plays_on_where_its_sound_card_is(own_jack_server):
    """Asleep, nothing runs and the card counts nothing: here every process is stopped at once."""
    with open_on(own_jack_server.name) as session, capture(own_jack_server.name) as listener:
        wait_for(lambda: connected(session))
        session.press(Press.START)
        wait_for(listener.messages)
        engine, before = session._engine.pid, session.status()
        asleep = [session._engine.pid, own_jack_server.process.pid, listener.process.pid]
        for number in asleep:
            os.kill(number, signal.SIGSTOP)
        time.sleep(3.0)
        assert "stopped asking for sound" in session.status().trouble
        for number in reversed(asleep):
            os.kill(number, signal.SIGCONT)
        wait_for(lambda: session.status().blocks > before.blocks + 100)
        seen = len(listener.messages())
        wait_for(lambda: len(listener.messages()) > seen + 40)
        heard, status = listener.heard(), session.status()
    assert session._engine.pid == engine, "it was not replaced: nothing had fallen"
    assert status.trouble == ""
    zero = status.audio_frame_zero
    clocks = [frame - zero for _, frame, data in heard["midi"] if data == "f8"]
    # In the blocks around the sleep the server's count and the capture's may be a block apart.
    assert [frame for frame in clocks[-15:] if frame % CLOCK_FRAMES] == []


def test_minutes_of_freewheeling_stay_on_the_grid(own_jack_server):
    """JACK as fast as the machine goes: no deadline, so nothing may be missing at all."""
    import jack

    minutes_frames = 3 * 60 * 48_000
    with open_on(own_jack_server.name) as session, capture(own_jack_server.name) as listener:
        wait_for(lambda: connected(session))
        wheel = jack.Client("wheel", no_start_server=True, servername=own_jack_server.name)
        with wheel:
            wheel.set_freewheel(True)
            time.sleep(0.2)
            session.press(Press.START)
            first = session.status().frame
            wait_for(lambda: session.status().frame > first + minutes_frames, patience_s=120)
            heard, status = listener.heard(), session.status()
            wheel.set_freewheel(False)
    zero = status.audio_frame_zero
    clocks = [frame - zero for _, frame, data in heard["midi"] if data == "f8"]
    assert clocks == list(range(clocks[0], clocks[-1] + 1, CLOCK_FRAMES))
    assert len(clocks) > minutes_frames // CLOCK_FRAMES - 10


def test_a_server_that_goes_away_is_trouble_not_a_crash(own_jack_server):
    session = open_on(own_jack_server.name)
    session.press(Press.START)
    wait_for(lambda: session.status().now.beats > 0)
    own_jack_server.process.terminate()
    wait_for(lambda: session.status().trouble)
    assert "audio system went away" in session.status().trouble
    session.close()
    with pytest.raises(DeviceError, match="does not answer"):
        choose("jack", own_jack_server.name)


def test_a_server_that_hangs_is_trouble_until_it_goes_on(own_jack_server):
    with open_on(own_jack_server.name) as session:
        own_jack_server.process.send_signal(signal.SIGSTOP)
        try:
            wait_for(lambda: "stopped asking" in session.status().trouble)
        finally:
            own_jack_server.process.send_signal(signal.SIGCONT)
        wait_for(lambda: not session.status().trouble)


def test_auto_takes_a_running_server(jack_server):
    choice = choose("auto", found=scan(jack_server))
    assert (choice.driver, choice.rate, choice.block_frames) == ("jack", 48_000, 256)
    assert "JACK server runs" in choice.why


def test_another_block_length_is_the_servers_business(jack_server):
    with pytest.raises(DeviceError, match="blocks of 256 frames"):
        choose("jack", jack_server).with_block(64)
