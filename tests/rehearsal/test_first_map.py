from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.errors import ShowError
from syncbox.rehearsal.first_map import FirstMap, Part, first_map, robust_line, song_text
from syncbox.score.meter import Meter
from syncbox.score.reading import read_song

FOUR = Meter.of(4, 4)
SEVEN = Meter.of(7, 8, (2, 2, 3))


def beats(parts: list[tuple[Part, float]]) -> np.ndarray:
    """Beat times of sections at steady tempi in quarters a minute."""
    times, at = [], 0.0
    for part, tempo in parts:
        for _ in range(part.bars):
            times += [at + tick / 20_160 * 60 / tempo for tick in part.meter.beat_starts()]
            at += part.meter.bar_ticks / 20_160 * 60 / tempo
    return np.array(times)


VERSE, CHORUS, SEVENS = Part("Verse", 16, FOUR), Part("Chorus", 8, FOUR), Part("Odd", 12, SEVEN)


def tempi(found: FirstMap) -> list[float]:
    return [float(each.tempo_qpm) for each in found.parts]


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(60, 180), st.floats(-0.06, 0.02), st.floats(0.9, 1.1))
def test_taps_of_a_person_give_the_tempo(
    seed: int, tempo: float, early_s: float, faster: float
) -> None:
    clean = beats([(VERSE, tempo), (CHORUS, tempo * faster)])
    taps = np.sort(clean + early_s + np.random.default_rng(seed).normal(0, 0.015, len(clean)))
    found = first_map(taps.tolist(), [VERSE, CHORUS])
    for tapped, true in zip(tempi(found), (tempo, tempo * faster), strict=True):
        assert tapped == pytest.approx(true, rel=0.013)


def test_missed_and_doubled_beats_are_seen_and_do_no_harm() -> None:
    clean = beats([(VERSE, 120)])
    taps = np.sort(np.append(np.delete(clean, [9, 30, 31]), clean[20] + 0.06))
    found = first_map(taps.tolist(), [VERSE])
    assert (found.missed, found.doubled, tempi(found)) == (3, 1, [120.0])


def test_grouped_meters_are_tapped_in_their_groups() -> None:
    found = first_map(beats([(SEVENS, 100)]).tolist(), [SEVENS])
    assert tempi(found) == [100.0]


def test_sections_that_nobody_could_tell_apart_share_a_tempo() -> None:
    found = first_map(beats([(VERSE, 120), (CHORUS, 120.8)]).tolist(), [VERSE, CHORUS])
    assert len(set(tempi(found))) == 1


def test_too_few_taps_are_refused_with_the_way_out() -> None:
    with pytest.raises(ShowError, match="too few"):
        first_map([0, 0.5, 1], [VERSE])
    with pytest.raises(ShowError, match="no taps for Chorus"):
        first_map(beats([(VERSE, 120)]).tolist(), [VERSE, CHORUS])


def test_the_file_is_a_song_with_that_map() -> None:
    found = first_map(beats([(VERSE, 120), (SEVENS, 96.5)]).tolist(), [VERSE, SEVENS])
    problems: list = []
    read = read_song(song_text("It's new: a song", found), "new.yaml", problems)
    assert problems == []
    assert read is not None
    assert read.tempo_qpm == 120
    assert [section.body.bars for section in read.sections] == [16, 12]
    assert Fraction("96.5") in [
        getattr(i.what, "tempo_qpm", 0) for i in read.sections[1].body.items
    ]


def test_a_stray_point_does_not_bend_the_line() -> None:
    x = np.arange(40.0)
    y = 0.5 * x + 3
    y[7] += 2.0
    slope, start = robust_line(x, y)
    assert slope == pytest.approx(0.5, abs=1e-9)
    assert start == pytest.approx(3.0, abs=1e-8)
