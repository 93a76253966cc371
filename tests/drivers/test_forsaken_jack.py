"""A host killed in mid-song on a real JACK server, as an independent second client hears it.

It captures click and clock from before the kill until after the new host has left, and
compares every frame with the ideal grid. Blocks that the machine dropped are no fault of
the taking over, so a capture with gaps is taken again; long blocks make that rare.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from building import item, program_of, section, song
from hosts import Host, gone, taken_over
from listening import until_heard, wait_for

from syncbox.drivers.processes import watch
from syncbox.engine.shared import remove_segment
from syncbox.engine.transport import Command, State
from syncbox.lab.capture import Capture
from syncbox.lab.listener import ListenJob
from syncbox.score.rig import Instrument, MidiPort, Mix, Rig
from syncbox.score.song import Click, ClickBeats, CountIn, PatchChange

pytestmark = [pytest.mark.jack, pytest.mark.timeout(180)]

TEMPO_QPM, RATE = 240, 48_000
CLICK_FRAMES = 60 * RATE // TEMPO_QPM
CLOCK_FRAMES = CLICK_FRAMES // 24
START, CONTINUE, STOP, CLOCK, PROGRAM = 0xFA, 0xFB, 0xFC, 0xF8, 0xC0
POSITION = 0xF2


@pytest.fixture
def calm_server(start_jackd):
    with start_jackd(block_frames=2048) as server:
        yield server.name


def stage_program():
    """Sections of one bar and more, with a patch for each; also made in the host's process."""
    port = MidiPort(
        *("stand", "syncbox-capture:midi_1"), clock=True, start_stop=True, song_position=True
    )
    rig = Rig(
        ports=(port,),
        instruments=(Instrument("organ", "stand", 1),),
        mixes=(Mix("all", (1,), {"click": 0.0, "count-in": 0.0}),),
    )
    patches = [item(PatchChange("organ", str(number))) for number in (5, 7, 4)]
    written = song(
        section("A", 2, patches[0]),
        section("B", 2, patches[1]),
        section("C", 90, patches[2]),
        tempo=TEMPO_QPM,
        count_in=CountIn(bars=3),
        click=Click(ClickBeats.BEATS),
    )
    return program_of(written, rig=rig)


def first_host(show, server, until):
    return Host(
        show,
        "jack",
        server,
        before="import test_forsaken_jack",
        program="test_forsaken_jack.stage_program()",
        options="{'level_db': 0.0, 'soft_start': False}",
        then=f"""
    def reached(now, port):
        return {until}
    while session.status().ports[0].missing:
        time.sleep(0.05)
    test_forsaken_jack.plug_in({server!r})
    time.sleep(0.6)  # until that port is up to date
    session.press(1)
    while not reached(session.status().now, session.status().ports[0]):
        time.sleep(0.02)
""",
    )


def plug_in(server):
    import jack

    hand = jack.Client("hand", no_start_server=True, servername=server)
    hand.connect("syncbox:out_1", "syncbox-capture:hear_1")
    hand.close()


def listen_while_it_is_killed(show, server, until):
    """What was heard, the new host's session, and the first host; None if blocks were lost."""
    job = ListenJob(server, ("",), ("",), 60.0, "")
    with Capture(job) as capture:
        first = first_host(show, server, until)
        try:
            first.kill()
            time.sleep(0.7)
            with taken_over(show) as session:
                assert session._engine.pid == first.engine
                taken = session.status()
                wait_for(lambda: session.status().now.section_index == 2)
                wait_for(lambda: session.status().now.bar >= 2)
                last = session.status()
                assert last.ports[0].connected_to == ("syncbox-capture:midi_1",)
            time.sleep(0.2)
            heard = capture.stop()
        finally:
            engine = watch(first.engine)
            engine.kill()
            for part in "dpk":
                remove_segment(first.deck[:-1] + part)
    assert last.now.transport == State.ROLLING
    assert session.status().finished
    assert gone(first)
    if len(heard.gaps) or last.dropouts:
        return None
    return heard, taken, last


@pytest.mark.parametrize("until", ["now.transport == 1 and now.bar == 1", "now.transport == 2"])
def test_nothing_is_lost_doubled_or_moved(calm_server, tmp_path, until):
    heard, taken, _ = until_heard(
        lambda: listen_while_it_is_killed(tmp_path, calm_server, until), attempts=5
    )
    counting = taken.now.transport == State.COUNTING_IN
    assert counting == ("transport == 1" in until)
    clocks = heard.messages(0, CLOCK)
    (start,), (stop,) = heard.messages(0, START), heard.messages(0, STOP)
    rolling = clocks[(clocks > start) & (clocks < stop)]
    assert rolling.tolist() == list(range(rolling[0], rolling[-1] + 1, CLOCK_FRAMES))
    clicks = heard.clicks[0]
    clicks = clicks[clicks < stop]
    assert np.diff(clicks).tolist() == [CLICK_FRAMES] * (len(clicks) - 1)
    assert rolling[0] in clicks
    # Bars A, B and the beginning of C have been heard; each section's patch came once.
    assert len(rolling) > 24 * (2 + 2 + 1) * 4
    assert len(heard.messages(0, PROGRAM)) == 3
    for status in (CONTINUE, POSITION):
        during = heard.messages(0, status)
        assert not ((during > start) & (during < stop)).any()
    assert stop > rolling[-1]


def test_a_box_that_came_while_nobody_looked_is_brought_up_to_date(calm_server, tmp_path):
    first = first_host_without_box(tmp_path, calm_server)
    try:
        first.kill()
        with (
            Capture(ListenJob(calm_server, (), ("",), 60.0, "")) as capture,
            taken_over(tmp_path) as session,
        ):
            wait_for(lambda: not session.status().ports[0].missing)
            here = session.status().now.bar
            wait_for(lambda: session.status().now.bar >= here + 3)
            heard = capture.stop()
            session.press(Command.STOP)
    finally:
        engine = watch(first.engine)
        engine.kill()
        for part in "dpk":
            remove_segment(first.deck[:-1] + part)
    assert len(heard.messages(0, PROGRAM)) == 1
    assert len(heard.messages(0, CONTINUE)) == 1
    assert len(heard.messages(0, POSITION)) == 1


def first_host_without_box(show, server):
    return Host(
        show,
        "jack",
        server,
        before="import test_forsaken_jack",
        program="test_forsaken_jack.stage_program()",
        options="{}",
        then="""
    session.press(1)
    while session.status().now.section_index < 2:
        time.sleep(0.02)
""",
    )


def test_a_server_that_went_away_while_nobody_looked_is_asked_for_again(start_jackd, tmp_path):
    with start_jackd(block_frames=2048) as server:
        first = first_host_without_box(tmp_path, server.name)
        first.kill()
        server.process.kill()
        server.process.wait()
    try:
        time.sleep(1)
        with taken_over(tmp_path) as session:
            wait_for(lambda: session.status().rescuing)
            before = session.status()
            assert "No sound" in before.trouble or "went away" in before.trouble
            with start_jackd(block_frames=2048):
                wait_for(lambda: session.status().engine_alive)
                wait_for(lambda: session.status().blocks > before.blocks + 20)
                after = session.status()
                assert after.now.transport == State.ROLLING
                assert after.frame > before.frame
                session.close()
    finally:
        watch(first.engine).kill()
        for part in "dpk":
            remove_segment(first.deck[:-1] + part)
