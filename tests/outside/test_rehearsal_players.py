"""People who really played, as others measured them: a drum machine, a guitarist, a pianist.

Data: 808kick120bpm.mp3 of BeatNet (CC BY 4.0), 20 kicks half a second apart; GuitarSet
00_BN1-129-Eb_comp (MIT), a guitarist to a click of 129; parangonar's mozart_k265_var1.match
(Apache-2.0), a pianist without any click. Fetched by the tests, never kept here.
"""

import json
import re
from fractions import Fraction

import numpy as np
import pytest
from building import section, song
from found_sounds import found_sound, found_text

from syncbox.rehearsal.beats import place_beats
from syncbox.rehearsal.chart import chart_of
from syncbox.rehearsal.following import follow
from syncbox.rehearsal.onsets import RATE, onsets_of, onsets_of_times
from syncbox.rehearsal.reading import read_take
from syncbox.score.meter import Meter


def test_kicks_lie_on_their_grid():
    onsets = onsets_of(found_sound("808kick120bpm.mp3", RATE)[0])
    strong = onsets.times_s[onsets.weights > 0.5]
    grid = np.arange(1, 20) * 0.5  # the first has no rise before it
    nearest = np.array([strong[np.abs(strong - at).argmin()] for at in grid])
    beat, offset = np.polyfit(np.arange(19), nearest, 1)
    assert 60 / beat == pytest.approx(120, abs=0.02)
    residual = nearest - (offset + beat * np.arange(19))
    assert residual.std() < 0.002
    chart = chart_of(song(section("Kicks", 5)))
    placed = follow(chart, onsets).placed
    beats = place_beats(chart, placed, onsets).played_s
    found = np.array([np.abs(beats - at).min() for at in grid])
    assert np.median(found) < 0.005


def strums():
    """A gap of 50 ms or more between notes of any string begins a new strum."""
    data = json.loads(found_text("00_BN1-129-Eb_comp.jams"))
    times = sorted(
        note["time"]
        for annotation in data["annotations"]
        if annotation["namespace"] == "note_midi"
        for note in annotation["data"]
    )
    return np.array(
        [t for before, t in zip([-1.0, *times], times, strict=False) if t - before >= 0.05]
    )


def test_a_guitarist_to_a_click():
    times = strums()
    assert len(times) == 74
    found = read_take(
        song(section("Comping", 12), tempo=129), onsets_of_times(times), locked_at_s=0.0
    )
    assert [bar.bar for bar in found.bars] == list(range(1, 13))
    assert found.sections[0].tempo_share == pytest.approx(0, abs=0.01)
    own = np.array([beat.played_s for beat in found.beats if beat.confidence > 0.5])
    assert len(own) > 16
    click = np.arange(48) * 60 / 129
    stray_ms = 1000 * np.array([at - click[np.abs(click - at).argmin()] for at in own])
    # Against the grid of eighths the strums are 13 ms late in the mean, 18 ms in the middle.
    assert 0 < np.median(stray_ms) < 30


def notes_of_mozart():
    """(position in quarters, seconds) of every note that the aligned score has."""
    text = found_text("mozart_k265_var1.match")
    line = re.compile(
        r"snote\([^)]*?,([\d.]+),([\d.]+),\[[^\]]*\]\)-note\(\w+,\[\w,\w\],\d+,(\d+),"
    )
    return [(float(q), int(tick) / 480 * 0.5) for q, _, tick in line.findall(text)]


def test_a_pianist_without_a_click():
    notes = notes_of_mozart()
    assert len(notes) >= 200
    beats = {
        q: np.mean([t for position, t in notes if position == q])
        for q in range(48)
        if any(position == q for position, _ in notes)
    }
    played = song(section("Variation", 24), tempo=Fraction(124), meter=Meter.of(2, 4))
    chart = chart_of(played)
    onsets = onsets_of_times(np.array(sorted(t for _, t in notes)))
    own = place_beats(chart, follow(chart, onsets).placed, onsets).played_s
    errors = np.array([np.abs(own - at).min() for at in beats.values()])
    # Single beats last 0.42 to 0.72 s: far more bend than a band's. Most are followed.
    assert np.median(errors) < 0.02
    assert np.mean(errors < 0.07) > 0.8
