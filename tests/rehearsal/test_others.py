"""A take held against the wrong song of its show names the right one."""

from dataclasses import replace

import pytest
from rehearsing import taken

from syncbox.rehearsal.imagined import imagined_song
from syncbox.rehearsal.onsets import onsets_of
from syncbox.rehearsal.others import beside_free, beside_others
from syncbox.rehearsal.reading import read_take
from syncbox.rehearsal.tables import as_json
from syncbox.rehearsal.wording import summary


@pytest.fixture(scope="module")
def heard():
    played, sound, _ = taken(sounds="drums and bass")
    return played.chart.song, onsets_of(sound)


@pytest.fixture(scope="module")
def wrong(heard):
    """Another song, brought to the take's tempo: nothing but the form tells it apart."""
    form = ("Verse", "Bridge", "Chorus", "Bridge")
    return replace(imagined_song(21, "plain", form), tempo_qpm=heard[0].tempo_qpm)


def test_the_right_song_is_named(heard, wrong):
    right, onsets = heard
    found = beside_others(read_take(wrong, onsets), [wrong, right], onsets)
    assert found.more_like == right.title
    assert not found.song_sure
    assert any(right.title in line for line in summary(found))
    assert as_json(found)["more_like"] == right.title


def test_a_song_that_is_sure_is_left_alone(heard, wrong):
    right, onsets = heard
    found = read_take(right, onsets)
    assert found.song_sure
    assert beside_others(found, [wrong], onsets) is found


def test_no_other_fits_as_well(heard, wrong):
    right, onsets = heard
    doubtful = replace(read_take(right, onsets), match=0.6)
    found = beside_others(doubtful, [wrong], onsets)
    assert not found.more_like
    assert found.notes[-1] == "no other song of the show fits it as well"


def test_one_that_fits_as_well_is_named_as_such(heard, wrong):
    right, onsets = heard
    doubtful = replace(read_take(right, onsets), match=0.9)
    found = beside_others(doubtful, [wrong, replace(right, title="Its Twin")], onsets)
    assert not found.more_like
    assert found.notes[-1].endswith("about as well: Its Twin")


def test_a_lock_that_is_wrong_is_doubted(heard):
    right, onsets = heard
    free = read_take(right, onsets)
    first = next(bar.start_s for bar in free.bars if bar.bar == 1)
    wrong_s = first + 1.3
    strayed = beside_free(read_take(right, onsets, locked_at_s=wrong_s), right, onsets, wrong_s)
    assert "--locked-at" in summary(strayed)[0]
    assert f"{first:.2f} s" in summary(strayed)[0]
    kept = read_take(right, onsets, locked_at_s=first)
    assert beside_free(kept, right, onsets, first) == kept
