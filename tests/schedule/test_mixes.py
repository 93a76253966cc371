from __future__ import annotations

import numpy as np
import pytest
from building import item, play, program_of, section, song
from hypothesis import given
from hypothesis import strategies as st

from syncbox.schedule.mixes import click_limits, click_part, click_parts, mix_plan
from syncbox.score.rig import EVERY_BAR, Mix, Rig
from syncbox.score.song import AudioKind, CountIn, PlayAudio

SOURCES = ("click", "count-in", "voice", "pads")
pans = st.integers(-100, 100)


def sides(pan: int, *, single: bool) -> np.ndarray:
    """(outputs, sides) of a source in a mix on two outputs."""
    mix = Mix("m", (1, 2), {"pads": 0.0}, pans={"pads": pan})
    plan = mix_plan(mix, SOURCES, frozenset((3,)) if single else frozenset(), {"click": EVERY_BAR})
    return np.array([row[3] for row in plan.sides])


@given(pans)
def test_a_sound_of_one_channel_keeps_its_power_wherever_it_is(pan: int) -> None:
    left, right = sides(pan, single=True)[:, 0]
    assert left**2 + right**2 == pytest.approx(2.0)
    assert (right >= left) == (pan >= 0)


@given(pans)
def test_each_side_of_a_stereo_sound_keeps_its_power(pan: int) -> None:
    assert np.sum(sides(pan, single=False) ** 2, axis=0) == pytest.approx([1.0, 1.0])


def test_the_middle_is_as_if_nothing_were_said_and_the_ends_are_one_ear() -> None:
    assert sides(0, single=True).tolist() == [[1.0, 0.0], [1.0, 0.0]]
    assert sides(0, single=False).tolist() == [[1.0, 0.0], [0.0, 1.0]]
    assert sides(-100, single=False).tolist() == [[1.0, 1.0], [0.0, 0.0]]
    # Constant power: 3 dB more in the one ear (10 log10 2, by definition of the decibel).
    assert 20 * np.log10(sides(100, single=True)[1, 0]) == pytest.approx(3.0103, abs=1e-4)
    assert sides(100, single=True)[0, 0] == 0.0


@given(st.sets(st.integers(1, 40), max_size=4), st.integers(-2, 60))
def test_every_bar_is_in_one_part_of_the_click(limits: set[int], bar: int) -> None:
    mixes = [Mix(str(n), (1,), {"click": 0.0}, click_bars=n) for n in limits]
    ordered = click_limits(mixes)
    parts = click_parts(ordered)
    part = click_part(ordered, bar)
    assert part in parts
    for mix in mixes:
        plan = mix_plan(mix, tuple(parts), frozenset(), parts)
        heard = plan.gains[list(parts).index(part)] > 0
        assert heard == (bar <= mix.click_bars)


def test_the_click_is_heard_where_each_mix_wants_it() -> None:
    rig = Rig(
        mixes=(
            Mix("drums", (1,), {"click": 0.0, "count-in": 0.0}),
            Mix("bass", (2,), {"click": 0.0, "count-in": 0.0}, click_bars=2),
            Mix("voice", (3,), {"click": 0.0, "count-in": 0.0}, click_bars=0),
        )
    )
    played = play(program_of(song(section("A", 4), count_in=CountIn(bars=1)), rig=rig))
    counts = []
    for row in played.audio:
        heard = np.flatnonzero(row)
        counts.append(int(np.sum(np.diff(heard, prepend=-10_000) > 2000)))
    assert counts == [4 + 16, 4 + 8, 4]


def test_a_panned_stem_lands_on_its_side() -> None:
    sound = np.full((1, 48_000), 0.25, dtype=np.float32)
    stem = item(PlayAudio("s.wav", "pads", AudioKind.STEM))
    rig = Rig(mixes=(Mix("m", (1, 2), {"pads": 0.0}, 0.0, {"pads": -100}),))
    played = play(program_of(song(section("A", 1, stem)), rig=rig, clips={"s.wav": sound}))
    assert np.max(played.audio[0]) == pytest.approx(0.25 * 2**0.5, rel=1e-6)
    assert not np.any(played.audio[1])


def test_a_muted_mix_is_silent() -> None:
    sound = np.full((1, 48_000), 0.25, dtype=np.float32)
    stem = item(PlayAudio("s.wav", "pads", AudioKind.STEM))
    rig = Rig(mixes=(Mix("m", (1,), {"pads": 0.0}, muted=True),))
    played = play(program_of(song(section("A", 1, stem)), rig=rig, clips={"s.wav": sound}))
    assert not np.any(played.audio)
