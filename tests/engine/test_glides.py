from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.engine.glides import PIECES_MAX, Fader, Line

moves = st.lists(
    st.tuples(st.integers(0, 400), st.floats(0.0, 2.0), st.integers(0, 200)), max_size=8
)


def rendered(line: Line, planned: list[tuple[int, float, int]], blocks: list[int]) -> np.ndarray:
    """The line over 600 frames, moves handed over at the start of the block that they lie in."""
    planned = sorted(planned, key=lambda move: move[0])
    out, first = [], 0
    for count in blocks:
        while planned and planned[0][0] < first + count:
            frame, target, length = planned.pop(0)
            line.go(target, frame, length)
        line.moves(first, count)
        part = np.empty(count)
        line.fill(part, first)
        out.append(part)
        first += count
    return np.concatenate(out)


@given(moves, st.integers(1, 97))
def test_the_block_size_changes_nothing(planned: list[tuple[int, float, int]], size: int) -> None:
    whole = rendered(Line(1.0, 600), planned, [600])
    blocks = [size] * (600 // size) + ([600 % size] if 600 % size else [])
    assert np.array_equal(whole, rendered(Line(1.0, 600), planned, blocks))


def test_a_move_is_even_and_ends_exactly() -> None:
    line = Line(0.0, 100)
    line.go(0.3, 10, 30)
    out = np.empty(100)
    line.fill(out, 0)
    assert np.all(out[:11] == 0.0)
    assert np.diff(out[10:41]) == pytest.approx(0.01)
    assert np.all(out[40:] == 0.3)
    assert [line.at(frame) for frame in range(100)] == out.tolist()


def test_a_move_on_the_way_begins_where_the_value_is() -> None:
    line = Line(0.0, 200)
    line.go(1.0, 0, 100)
    line.go(0.0, 50, 10)
    out = np.empty(200)
    line.fill(out, 0)
    assert out[50] == 0.5
    assert np.max(np.abs(np.diff(out))) <= 0.05 + 1e-12
    assert line.target == 0.0


def test_more_moves_than_there_is_room_for_do_not_grow() -> None:
    line = Line(0.0, 10)
    for frame in range(10 * PIECES_MAX):
        line.go(float(frame), frame, 5)
    assert len(line._pieces) <= PIECES_MAX


def test_a_fader_that_rests_has_one_factor_and_it_is_the_curve() -> None:
    fader = Fader(0.5, 100)
    curve = np.empty(100, dtype=np.float32)
    fader.fill(curve, 0)
    assert not fader.moves(0, 100)
    assert np.all(curve == fader.gain)
    fader.go(0.0, 20, 10)
    assert fader.moves(0, 100)
    assert not fader.moves(30, 70)
    assert fader.silent


def test_a_fade_to_silence_is_even_in_the_root() -> None:
    fader = Fader(1.0, 101)
    fader.go(0.0, 0, 100)
    curve = np.empty(101, dtype=np.float32)
    fader.fill(curve, 0)
    assert np.sqrt(curve) == pytest.approx(np.linspace(1.0, 0.0, 101), abs=1e-6)
