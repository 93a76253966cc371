"""The sender's own times turned into frames of the grid, without a sender."""

import numpy as np
import pytest

from syncbox.drivers.choose import Choice
from syncbox.drivers.status import Lengths, Status
from syncbox.engine.records import SentEvent
from syncbox.errors import EngineError
from syncbox.lab.evidence import Take, evidence_of_times, spans_of
from syncbox.lab.reference import grid_from_map, reference_show
from syncbox.lab.report import NO_SPANS, report

RATE = 48_000
SHOW = reference_show(20)
GRID = grid_from_map(SHOW.songs["reference"], SHOW.rig, RATE)
CHOICE = Choice("portaudio", "a card", RATE, 256, 2, "")
DOWNBEAT = 123_456


def status(**more):
    facts = {
        "driver": "portaudio",
        "device": "a card",
        "rate": RATE,
        "block_frames": 256,
        "priority": "normal priority",
        "memory": "",
        "frame": 0,
        "host_ns": 0,
        "audio_frame_zero": 0,
        "now": None,
        "blocks": 0,
        "dropouts": 0,
        "lost_frames": 0,
        "xruns": 0,
        "callback": Lengths(10, 20, 30),
        "midi_sent": (),
        "midi_refused": 0,
        "log_refused": 0,
        "ports": (),
        "engine_alive": True,
        "rescuing": False,
        "finished": False,
        "trouble": "",
        "notes": (),
    }
    return Status(**{**facts, **more})


def sent(late_ns):
    """Every clock and program change of the grid, each so late by the host's clock."""
    events = []
    for port, patches in enumerate(GRID.patches):
        for frames, data, why in ((GRID.clocks, b"\xf8", "clock"), (patches, b"\xc0\x01", "patch")):
            for frame in frames.tolist():
                at = DOWNBEAT + frame
                asked = 10**12 + at * 10**9 // RATE
                events.append(SentEvent(at, asked, asked + late_ns, port, data, why))
    return sorted(events, key=lambda event: event.frame)


@pytest.mark.parametrize(("late_ns", "frames"), [(0, 0), (1_000_000, 48), (200_000, 10)])
def test_lateness_of_the_sender_is_the_error_of_the_clock(late_ns, frames):
    take = Take(sent(late_ns), NO_SPANS, NO_SPANS, status(), status(dropouts=2, xruns=3))
    found = report(*evidence_of_times(CHOICE, take, GRID, None))
    assert [clock.spread.max for clock in found.clocks] == [frames, frames]
    assert [patch.spread.max for patch in found.patches] == [frames, frames]
    assert found.clicks is None
    assert (found.dropouts, found.xruns) == (2, 3)
    assert any("click was not captured" in note for note in found.setting.notes)


def test_an_engine_that_played_nothing_is_an_error():
    take = Take([], NO_SPANS, NO_SPANS, status(), status(trouble="It stopped."))
    with pytest.raises(EngineError, match="played nothing"):
        evidence_of_times(CHOICE, take, GRID, None)


def test_lost_time_has_surroundings():
    assert spans_of([], rate=RATE).shape == (0, 2)
    assert spans_of([(10_000, 11_000)], rate=RATE).tolist() == [[10_000 - 2880, 11_000 + 2880]]
    assert np.array_equal(NO_SPANS, spans_of([], rate=1))
