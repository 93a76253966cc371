"""Nights from seeds on which everything goes wrong. More of them: tools/soak.py."""

from __future__ import annotations

from dataclasses import replace

import pytest

from syncbox.drivers import set_clock
from syncbox.engine import emission, returning, timecode
from syncbox.engine.zones import Router
from syncbox.lab import soak
from syncbox.lab.soak import Night
from syncbox.lab.soak_wide import WIDE_FROM, broken_in

# The last are those that found something once.
SEEDS = (
    *range(110),
    *range(WIDE_FROM, WIDE_FROM + 50),
    13881,
    23743,
    23801,
    31332,
    31461,
    32444,
    40269,
    400137,
)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_night_of_trouble(seed):
    assert broken_in(seed) == [], f"again: python tools/soak.py --seed {seed}"


def kinds_broken(seeds):
    return {line.split(", ")[2].split(":")[0] for seed in seeds for line in broken_in(seed)}


def test_the_same_seed_is_the_same_night():
    nights = [Night(7), Night(7)]
    for night in nights:
        night.play(300)
    assert nights[0].last_place == nights[1].last_place


# A judge that finds nothing must be seen to find something.


def test_a_clock_that_is_left_out_is_found(monkeypatch):
    send, count = emission._send_clock, [0]

    def forgetful(*args, **more):
        count[0] += 1
        if count[0] % 500:
            send(*args, **more)

    monkeypatch.setattr(emission, "_send_clock", forgetful)
    assert "clocks" in kinds_broken(range(10))


def test_a_position_while_the_music_runs_is_found(monkeypatch):
    plan = returning._plan

    def late(state, port, block_end):
        plan(state, port, block_end)
        rows = state.timed.rows
        state.timed.rows = [(f + 3000 * (w == "song position"), *r, w) for f, *r, w in rows]
        state.timed.rows.sort()

    monkeypatch.setattr(returning, "_plan", late)
    assert "transport" in kinds_broken(range(WIDE_FROM, WIDE_FROM + 20))


def test_a_quarter_frame_that_is_left_out_is_found(monkeypatch):
    send, count = timecode.quarter_frame, [0]

    def stuck(named, piece, rate):
        count[0] += 1
        return send(named, piece if count[0] % 300 else 0, rate)

    monkeypatch.setattr(timecode, "quarter_frame", stuck)
    assert "time code" in kinds_broken(range(WIDE_FROM, WIDE_FROM + 10))


def test_code_that_stays_where_a_leader_has_moved_its_part_away_is_found(monkeypatch):
    monkeypatch.setattr(timecode.CodeOut, "_keep_placed", lambda *_: None)
    assert kinds_broken([400137]) == {"time code"}


def test_a_late_click_is_found(monkeypatch):
    start = soak.Ears.start

    def late(self, event, delay, late_frames=0):
        start(self, event, delay + 2, late_frames)

    monkeypatch.setattr(soak.Ears, "start", late)
    assert kinds_broken(range(3)) == {"clicks"}


def test_a_patch_that_is_not_sent_is_found(monkeypatch):
    monkeypatch.setattr(emission, "select_patch", lambda *_: None)
    assert "patches" in kinds_broken(range(10))


def test_a_continue_off_the_bar_line_is_found(monkeypatch):
    plan = returning._plan

    def early(state, port, block_end):
        plan(state, port, block_end)
        rows = state.timed.rows
        state.timed.rows = [(f - 3000 if w == "continue" else f, *r, w) for f, *r, w in rows]

    monkeypatch.setattr(returning, "_plan", early)
    assert "bar lines" in kinds_broken(range(40))


def test_a_note_that_hangs_is_found(monkeypatch):
    monkeypatch.setattr(soak.EngineState, "input_gone", lambda *_: None)
    monkeypatch.setattr(Router, "release_all", lambda *_: None)
    assert "notes" in kinds_broken(range(20))


def test_a_set_clock_that_forgets_the_time_in_a_section_is_found(monkeypatch):
    left_s = set_clock._Sheet.left_s
    monkeypatch.setattr(
        set_clock._Sheet, "left_s", lambda self, spot: left_s(self, replace(spot, bar=0))
    )
    assert kinds_broken(range(3)) == {"set clock"}


def test_a_set_clock_that_forgets_a_count_in_is_found(monkeypatch):
    made = set_clock._Sheet.__init__

    def forgetful(self, legs):
        made(self, legs)
        self.music_s -= self.opening_s

    monkeypatch.setattr(set_clock._Sheet, "__init__", forgetful)
    assert "set clock" in kinds_broken(range(0, 80, 4))
