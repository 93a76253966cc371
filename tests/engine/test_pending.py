"""What was asked for says how many bar lines it waits, and it comes at exactly that one."""

from __future__ import annotations

import pytest
from building import Engine, program_of, section, song

from syncbox.engine.transport import Command, State, packed

BAR = 96_000  # frames of 4/4 at 120


@pytest.fixture
def engine() -> Engine:
    """In bar 2, on beat 2."""
    found = Engine(program_of(song(section("A", 4), section("B", 4))))
    found.press(Command.START)
    found.turn_until(lambda now: now.bar == 2 and now.beat == 2)
    return found


def first_downbeat(engine: Engine) -> int:
    return engine.frames("clock")[0]


def test_nothing_was_asked_for(engine: Engine) -> None:
    assert (engine.state.now.trim_bars, engine.state.now.stop_bars) == (0, 0)


def test_a_tempo_waits_for_the_next_bar_line_and_is_there(engine: Engine) -> None:
    engine.press(packed(Command.TEMPO_TRIM, -30))
    line = first_downbeat(engine) + 2 * BAR
    now = engine.state.now
    while engine.state.next_frame <= line:
        assert (now.trim_permille, now.trim_bars, now.sounding_permille) == (-30, 1, 0)
        engine.turn()
    assert (now.trim_permille, now.trim_bars, now.sounding_permille) == (-30, 0, -30)
    engine.turn_until(lambda now: now.section_index == 1)
    assert engine.state.now.trim_bars == 0


def test_one_that_comes_too_late_for_a_bar_line_says_so(engine: Engine) -> None:
    line = first_downbeat(engine) + 2 * BAR
    while engine.state.next_frame < line - engine.state.margin:
        engine.turn()
    engine.press(packed(Command.TEMPO_TRIM, -30))
    assert engine.state.now.trim_bars == 2
    engine.turn_until(lambda now: now.bar == 3)
    assert engine.state.now.trim_bars == 1
    engine.turn_until(lambda now: now.bar == 4)
    assert engine.state.now.trim_bars == 0


def test_one_that_is_taken_back_waits_for_nothing(engine: Engine) -> None:
    engine.press(packed(Command.TEMPO_TRIM, -30))
    engine.press(packed(Command.TEMPO_TRIM, 0))
    assert engine.state.now.trim_permille == 0
    engine.turn_until(lambda now: now.bar == 3)
    assert engine.state.now.trim_bars == 0


def test_the_stop_at_the_bar_is_one_bar_line_away(engine: Engine) -> None:
    engine.press(Command.STOP_AT_BAR)
    line = first_downbeat(engine) + 2 * BAR
    while engine.state.next_frame + engine.block_frames < line:
        assert engine.state.now.stop_bars == 1
        engine.turn()
    engine.turn_until(lambda now: now.transport == State.STOPPED)
    assert engine.state.now.stop_bars == 0


def test_nothing_waits_while_nothing_plays() -> None:
    engine = Engine(program_of(song(section("A", 4))))
    engine.press(packed(Command.TEMPO_TRIM, -30))
    assert (engine.state.now.trim_permille, engine.state.now.trim_bars) == (-30, 0)
