"""A night's takes at once: the same answers as one by one, on cores or on a cluster."""

import mido
import numpy as np
import pytest
import soundfile
from rehearsing import taken

from syncbox.errors import UnreadableError
from syncbox.rehearsal.many import read_one, read_takes
from syncbox.rehearsal.onsets import RATE
from syncbox.rehearsal.tables import as_json


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    paths = []
    for number, cut_s in enumerate((0.0, 0.5, 1.0)):
        played, sound, _ = taken()
        path = folder / f"take-{number}.wav"
        soundfile.write(path, sound[round(cut_s * RATE) :], RATE)
        paths.append(path)
    return played.chart.song, paths


def plain(readings):
    """What is told, in the digits that are told."""
    return [as_json(each) for each in readings]


def test_takes_at_once_read_as_one_by_one(night):
    song, paths = night
    together = read_takes(song, paths, jobs=2)
    assert plain(together) == plain(read_one(song, path) for path in paths)


def test_a_dask_cluster_gives_the_same(night):
    distributed = pytest.importorskip("distributed", reason="distributed is not installed")
    import joblib

    song, paths = night
    cluster = distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True)
    with cluster, distributed.Client(cluster), joblib.parallel_config(backend="dask"):
        together = read_takes(song, paths)
    assert plain(together) == plain(read_one(song, path) for path in paths)


def test_pads_and_taps_are_read_to_the_millisecond(tmp_path):
    played, _, _ = taken()
    truth = np.sort(np.concatenate(played.beats_s))
    file = mido.MidiFile(ticks_per_beat=1000)
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=1_000_000)])
    file.tracks.append(track)
    at = 0
    for beat in truth:
        tick = round(beat * 1000)
        track.append(mido.Message("note_on", channel=9, note=36, velocity=90, time=tick - at))
        track.append(mido.Message("note_off", channel=9, note=36, time=0))
        at = tick
    file.save(tmp_path / "pads.mid")
    (tmp_path / "taps.txt").write_text("\n".join(f"{beat:.4f}" for beat in truth))
    for name in ("pads.mid", "taps.txt"):
        found = read_one(played.chart.song, tmp_path / name)
        assert found.found
        own = np.array([beat.played_s for beat in found.beats if beat.confidence > 0.5])
        errors = np.abs(own[:, None] - truth[None]).min(axis=1)
        assert np.percentile(errors, 95) < 0.001


def test_a_take_that_cannot_be_read_costs_only_itself(night, tmp_path):
    song, paths = night
    broken = tmp_path / "broken.wav"
    broken.write_text("no sound")
    first, wrong, last = read_takes(song, [paths[0], broken, paths[1]], jobs=2)
    assert first.found
    assert last.found
    assert isinstance(wrong, UnreadableError)
    assert "broken.wav" in str(wrong)
