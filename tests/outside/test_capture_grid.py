"""The clock as another program hears it, against the MIDI specification.

MIDI 1.0 Detailed Specification 4.2.1: Timing Clock is sent at 24 to the quarter note
(p. 30); the first clock after Start is the downbeat (pp. 30-31) and comes at least 1 ms
after Start (p. 30). Nothing here looks at the engine: a second JACK client in a
process of its own heard the bytes and the sound.
"""

import time
from fractions import Fraction

import numpy as np
import pytest

from syncbox.audio.voices import click_voices
from syncbox.drivers.session import open_session
from syncbox.engine.transport import Command
from syncbox.lab.capture import Capture
from syncbox.lab.listener import ListenJob
from syncbox.lab.reference import reference_rig
from syncbox.schedule.compile import compile_show
from syncbox.score.meter import Meter
from syncbox.score.rig import SetEntry, SetList, Show
from syncbox.score.song import Body, CountIn, Section, Song

pytestmark = [pytest.mark.jack, pytest.mark.timeout(120)]

RATE, TEMPO_QPM, BARS = 48_000, 174, 4
START, STOP, CLOCK = 0xFA, 0xFC, 0xF8
# 2500 ms / 174 = 14.367816092 ms: no whole number of frames (computed)
CLOCK_FRAMES = Fraction(60 * RATE, 24 * TEMPO_QPM)


@pytest.fixture(scope="module")
def heard(jack_server):
    """Four bars of 7/8 at 174, as a capture heard them; again if the machine dropped a block."""
    song = Song(
        "plain",
        "Plain",
        Fraction(TEMPO_QPM),
        (Section("all", Body(BARS)),),
        meter=Meter.of(7, 8, (2, 2, 3)),
        count_in=CountIn(beats=2),
    )
    show = Show("", reference_rig(), SetList("", (SetEntry(song.id),)), {song.id: song})
    program = compile_show(show, RATE, {}, click_voices(RATE))
    for _attempt in range(5):
        with open_session(program, "jack", device=jack_server) as session:
            names = tuple(f"{session.client}:{port.name}" for port in show.rig.ports)
            job = ListenJob(jack_server, (f"{session.client}:out_1",), names, 20.0, "")
            with Capture(job) as capture:
                time.sleep(1)
                before = session.status()
                session.press(Command.START)
                while not session.status().now.sets_over:
                    time.sleep(0.05)
                time.sleep(0.3)
                found, after = capture.stop(), session.status()
        if not len(found.gaps) and after.dropouts == before.dropouts:
            return found
    pytest.skip("the machine dropped blocks in every one of five attempts")


@pytest.mark.parametrize("port", [0, 1])
def test_twenty_four_clocks_to_the_quarter(heard, port):
    quarters = Fraction(BARS * 7, 2)
    (start,), (stop,) = heard.messages(port, START), heard.messages(port, STOP)
    clocks = heard.messages(port, CLOCK)
    assert ((clocks > start) & (clocks < stop)).sum() == 24 * quarters
    assert len(clocks) == 24 * quarters


@pytest.mark.parametrize("port", [0, 1])
def test_the_spacing_is_the_tempo_to_the_frame(heard, port):
    clocks = heard.messages(port, CLOCK)
    ideal = [clocks[0] + round(n * CLOCK_FRAMES) for n in range(len(clocks))]
    # The first clock was itself rounded to a frame, so the others may differ by one.
    assert np.abs(clocks - ideal).max() <= 1
    assert set(np.diff(clocks)) <= {int(CLOCK_FRAMES), int(CLOCK_FRAMES) + 1}


@pytest.mark.parametrize("port", [0, 1])
def test_the_first_clock_after_start_is_the_downbeat(heard, port):
    (start,) = heard.messages(port, START)
    clocks, clicks = heard.messages(port, CLOCK), heard.clicks[0]
    count_in_beats, felt_beats = 2, 3 * BARS
    assert len(clicks) == count_in_beats + felt_beats
    assert clocks[0] == clicks[count_in_beats]
    assert clocks[0] - start >= RATE // 1000


def test_every_click_of_a_grouped_bar_is_on_a_clock(heard):
    clocks, clicks = heard.messages(0, CLOCK), heard.clicks[0][2:]
    # 2+2+3 eighths of 12 clocks each
    places = [bar * 84 + clock for bar in range(BARS) for clock in (0, 24, 48)]
    assert clicks.tolist() == clocks[places].tolist()
