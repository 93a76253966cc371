"""Another box leads through a real JACK server: played by one client, heard by another."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from building import program_of, section, song
from leading import CLOCK, FOLLOWING_RIG, RATE, START
from listening import capture, wait_for

from syncbox.drivers.session import open_session
from syncbox.engine.transport import State
from syncbox.lab.hands import Hands

pytestmark = pytest.mark.jack

BEFORE, AFTER = 48, 96  # clocks around the start, 1000 frames apart


def test_the_clock_of_another_box_comes_out_again_on_its_grid(jack_server):
    stand, *others = FOLLOWING_RIG.ports
    rig = replace(
        FOLLOWING_RIG,
        ports=(
            replace(stand, match="listener:in_*"),
            *(replace(port, match="nothing") for port in others),
        ),
        input_ports={"box": "*:box*"},
    )
    with (
        Hands(jack_server, ("box",)) as hands,
        open_session(
            program_of(song(section("A", 8)), rig=rig), "jack", device=jack_server
        ) as session,
        capture(jack_server) as listener,
    ):
        ports = session.status().ports
        assert len(ports) == 4
        wait_for(lambda: session.status().ports[0].connected_to)
        wait_for(lambda: session.status().ports[3].connected_to)
        strokes = [(1000, 0, CLOCK)] * BEFORE + [(500, 0, START), (500, 0, CLOCK)]
        played = hands.play(strokes + [(1000, 0, CLOCK)] * (AFTER - 1))
        time.sleep(0.5)
        status = session.status()
        heard = listener.heard()
    assert status.now.transport == State.ROLLING
    ours = np.array([frame for _, frame, data in heard["midi"] if data == "f8"])
    ours = ours[ours > played[BEFORE]]  # since Start
    theirs = np.array(played[BEFORE + 1 :])
    ours = ours[ours < theirs[-1] + 500]  # after the last one the box is bridged
    late = ours - theirs[np.searchsorted(theirs, ours - 500).clip(max=len(theirs) - 1)]
    # In JACK an answer within the block lies at the frame of what it answers: no block is lost.
    on_grid = np.abs(late) <= RATE // 1000
    # Dropouts on a loaded machine lose events and stretch the box's own time.
    troubled = heard["gaps"] or status.dropouts or status.xruns
    assert np.mean(on_grid) > (0.7 if troubled else 0.95)
    assert status.now.leader_leads == 1
