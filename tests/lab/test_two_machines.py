"""Two JACK servers in two networks: how far apart first and spare are, and who says what.

What is asserted of time is the 6 ms at which listeners begin to hear one displaced tone
(A. Friberg, J. Sundberg, Time discrimination in a monotonic, isochronous sequence,
J. Acoust. Soc. Am. 98(5), 1995), plus what the apparatus itself cannot tell: a dummy
server's frames stand still while it is late, so on a busy computer two of them drift apart.
`tools/bench spare` has the figures.
"""

from __future__ import annotations

import time

import numpy as np
import pytest

from syncbox.lab.capture import Heard
from syncbox.lab.spare_trial import (
    LEADER_LATER_QPM,
    LEADER_TURNS_S,
    Outcome,
    Trial,
    Weather,
    trial,
)
from syncbox.lab.two_machines import offsets_ms, played_ns, resolution_us, why_not

HEARABLE_MS = 6.0

in_two_networks = [
    pytest.mark.jack,
    pytest.mark.timeout(240),
    pytest.mark.skipif(bool(why_not()), reason=why_not() or "two machines can be had"),
]


def marked(function):
    for mark in in_two_networks:
        function = mark(function)
    return function


def within_what_is_heard(outcome: Outcome) -> None:
    assert len(outcome.spare_ns) > 3
    assert np.min(np.abs(outcome.offsets_ms)) < HEARABLE_MS + outcome.doubt_ms


def took_over(ready: Trial) -> None:
    ready.spare_says("playing, took over")
    time.sleep(4)


@marked
def test_the_pedal_makes_the_spare_sound_on_the_grid_of_the_first() -> None:
    with trial() as ready:
        ready.press_pedal()
        ready.spare_says("BOTH ARE PLAYING")
        ready.first_says("BOTH ARE PLAYING")
        time.sleep(4)
        outcome = ready.outcome()
    within_what_is_heard(outcome)
    assert outcome.spare_ns[0] > outcome.happened_ns, "not a sound before the pedal"
    assert outcome.first_ns[-1] > outcome.spare_ns[2], "nothing ever silences the first"


@marked
def test_a_first_that_is_killed_is_followed_on_its_grid() -> None:
    with trial() as ready:
        ready.kill_first()
        took_over(ready)
        outcome = ready.outcome()
        assert "took over by itself" in ready.said_by_spare.read_text("utf-8")
    within_what_is_heard(outcome)
    assert outcome.waited_s > 1.5


@marked
def test_a_pulled_cable_is_said_by_both() -> None:
    with trial() as ready:
        ready.pull_cable()
        ready.first_says("it may be playing")
        took_over(ready)
        ready.plug_in()
        ready.first_says("BOTH ARE PLAYING")
        ready.spare_says("BOTH ARE PLAYING")
        outcome = ready.outcome()
    within_what_is_heard(outcome)
    assert outcome.first_ns[-1] > outcome.spare_ns[2]


@marked
def test_on_a_bad_network_it_is_still_within_what_is_heard() -> None:
    weather = Weather(delay_s=0.005, jitter_s=0.01, loss=0.1, double=0.05)
    with trial("--by-hand", weather=weather) as ready:
        ready.press_pedal()
        ready.spare_says("BOTH ARE PLAYING")
        time.sleep(3)
        outcome = ready.outcome()
    within_what_is_heard(outcome)


@marked
def test_through_portaudio_a_first_that_is_killed_is_followed_on_its_grid() -> None:
    with trial(driver="portaudio") as ready:
        ready.kill_first()
        took_over(ready)
        outcome = ready.outcome()
    within_what_is_heard(outcome)


@marked
@pytest.mark.parametrize("driver", ["jack", "portaudio"])
def test_where_another_box_leads_the_spare_goes_on_with_it(driver: str) -> None:
    """Also when the box changes its tempo later: 545 ms a beat instead of 476."""
    with trial(driver=driver, leader_qpm=126) as ready:
        ready.kill_first()
        ready.spare_says("playing, took over")
        time.sleep(LEADER_TURNS_S)
        outcome = ready.outcome()
    within_what_is_heard(outcome)
    beats_s = np.diff(outcome.spare_ns) / 1e9
    assert np.median(beats_s[:10]) == pytest.approx(60 / 126, abs=0.02)
    assert np.median(beats_s[-5:]) == pytest.approx(60 / LEADER_LATER_QPM, abs=0.02)


# --- the apparatus ----------------------------------------------------------------------------


def heard(called: np.ndarray) -> Heard:
    blocks = np.column_stack([np.arange(len(called)) * 256, called]).astype(np.int64)
    none = np.zeros(0, dtype=np.int64)
    return Heard(
        rate=48_000,
        block_frames=256,
        first_frame_time=0,
        frames=len(called) * 256,
        full=False,
        priority="",
        clicks=(none,),
        midi=np.zeros((0, 3), dtype=np.int64),
        midi_bytes=np.zeros((0, 4), dtype=np.uint8),
        gaps=np.zeros((0, 2), dtype=np.int64),
        xruns=none,
        blocks=blocks,
    )


def test_when_a_frame_was_played_is_told_by_the_least_late_callbacks() -> None:
    chance = np.random.default_rng(3)
    true = 5e12 + np.arange(4000) * 256 * 1e9 / 48_000
    capture = heard(true + chance.exponential(300_000, len(true)))
    found = played_ns(capture, np.array([96_000, 480_123]))
    expected = 5e12 + np.array([96_000, 480_123]) * 1e9 / 48_000
    np.testing.assert_allclose(found, expected, atol=20_000)
    assert resolution_us(capture) < 20


def test_offsets_are_against_the_grid_that_goes_on() -> None:
    grid = 1e9 + np.arange(10) * 0.5e9
    late = np.array([grid[-1] + 4 * 0.5e9 + 2e6, grid[3] - 1e6])
    np.testing.assert_allclose(offsets_ms(grid, late), [2.0, -1.0], atol=1e-6)
