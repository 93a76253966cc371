"""A way that lies beside the beat all through is put on it by where chords change."""

import numpy as np
import pytest
from rehearsing import taken

from syncbox.rehearsal.curves import curves_of, tonal
from syncbox.rehearsal.following import follow
from syncbox.rehearsal.onsets import onsets_of, onsets_of_times
from syncbox.rehearsal.phases import _moved, on_the_beat
from syncbox.rehearsal.walk import Course


def heard(sounds: str):
    played, sound, _ = taken(sounds=sounds)
    onsets = onsets_of(sound)
    return played.chart, onsets, follow(played.chart, onsets), curves_of(onsets)[2]


def strayed(chart, course: Course, share: float) -> Course:
    return Course(tuple(_moved(chart.bars, course, share)), course.score)


@pytest.mark.parametrize("share", [0.5, -0.5, 1.0, -1.0, 2.0])
def test_it_comes_back(share: float) -> None:
    chart, onsets, own, low = heard("drums and bass")
    found = on_the_beat(chart.bars, strayed(chart, own, share), onsets, low)
    lines = np.array([p.start_s for p in own.placed])
    inner = np.array([p.start_s for p in found.placed[2:-2]])
    assert np.abs(inner[:, None] - lines).min(axis=1).max() < 0.05  # if a bar early or late


@pytest.mark.parametrize("sounds", ["drums and bass", "mix"])
def test_what_is_right_stays(sounds: str) -> None:
    chart, onsets, own, low = heard(sounds)
    assert tonal(onsets)
    assert on_the_beat(chart.bars, own, onsets, low) is own


@pytest.mark.parametrize("sounds", ["drums", "brushes"])
def test_drums_alone_have_no_chords(sounds: str) -> None:
    chart, onsets, own, low = heard(sounds)
    assert not tonal(onsets)
    assert on_the_beat(chart.bars, own, onsets, low) is own


@pytest.mark.parametrize("sounds", ["drums", "brushes"])
@pytest.mark.parametrize("beats", [2.0, -2.0])
def test_bar_lines_of_drums_come_back_by_the_bass_drum(sounds: str, beats: float) -> None:
    chart, onsets, own, low = heard(sounds)
    found = on_the_beat(chart.bars, strayed(chart, own, beats), onsets, low)
    lines = np.array([p.start_s for p in own.placed])
    inner = np.array([p.start_s for p in found.placed[2:-2]])
    assert np.abs(inner[:, None] - lines).min(axis=1).max() < 0.05


def test_taps_have_no_chords() -> None:
    assert not tonal(onsets_of_times(np.arange(40) * 0.5))
