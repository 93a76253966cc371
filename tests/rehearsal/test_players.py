"""Each player of a multitrack against the band's course, where it is known how each one played."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile
from rehearsing import read, taken

from syncbox.rehearsal.attacks import attacks_of
from syncbox.rehearsal.imagined_sound import sound_of
from syncbox.rehearsal.onsets import RATE
from syncbox.rehearsal.players import TOGETHER_MS, notes_of, players, sentences

DRUMS = ("kick", "snare", "hat", "tom", "crash", "stick")


def one_player(what, late_s=0.0, spread_s=0.0):
    """(when one player's notes begin, how they sound) in a take of drums and bass."""
    played, _, manner = taken(sounds="drums and bass", seed=6)
    rng = np.random.default_rng(3)
    hits = [
        replace(hit, at_s=max(0.0, hit.at_s + late_s + rng.normal(0, spread_s)))
        for hit in played.hits
        if hit.what in what
    ]
    sound = sound_of(replace(played, hits=hits), manner, 1)
    return np.sort([hit.at_s for hit in hits]), 0.5 * sound


@pytest.mark.parametrize(("what", "late_ms"), [(DRUMS, 0), (("bass",), 11)])
def test_notes_of_one_instrument_are_found_once_each(what, late_ms):
    truth, sound = one_player(what)
    found = attacks_of(sound)
    errors = np.array([found[np.abs(found - at).argmin()] - at for at in truth])
    near = np.abs(errors) < 0.03
    assert near.mean() > 0.65, "a note that begins as another one ends may be missed"
    assert np.median(errors[near]) * 1000 == pytest.approx(late_ms, abs=6)
    extra = [at for at in found if np.abs(truth - at).min() > 0.065]
    assert len(extra) < 0.05 * len(truth)


def test_silence_and_next_to_nothing_have_no_notes():
    assert not len(attacks_of(np.zeros(RATE, np.float32)))
    assert not len(attacks_of(np.ones(50, np.float32)))


def test_each_channel_is_told_by_how_it_played(tmp_path):
    channels = [
        one_player(DRUMS)[1],
        one_player(("bass",))[1],
        one_player(("bass",), late_s=0.03)[1],
        one_player(("bass",), spread_s=0.04)[1],
    ]
    path = tmp_path / "multi.wav"
    soundfile.write(path, np.stack([*channels, np.zeros_like(channels[0])], axis=1), RATE)
    _, found = read(sounds="drums and bass", seed=6)
    drums, bass, lagging, loose, silent = players(found, notes_of(path))
    assert drums.scatter_ms < 15
    assert bass.scatter_ms < 15
    assert lagging.late_ms - bass.late_ms == pytest.approx(30, abs=4)
    assert lagging.scatter_ms < 15
    assert 28 < loose.scatter_ms < 60
    assert silent is None
    lines = sentences([drums, bass, lagging, loose, silent])
    assert lines[0].startswith("channel 1: with the band, scatter")
    assert abs(bass.late_ms) < TOGETHER_MS or "behind" in lines[1]
    assert "behind the band" in lines[2]
    assert "too little" in lines[4]


def test_taps_are_one_player(tmp_path):
    played, found = read()
    path = tmp_path / "taps.txt"
    path.write_text("".join(f"{at:.4f}\n" for at in np.sort(np.concatenate(played.beats_s))))
    (tapped,) = players(found, notes_of(path))
    assert tapped.beats > 0.9 * len(found.beats)
    assert abs(tapped.late_ms) < 5
