from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest

from syncbox.audio.cache import Cache
from syncbox.audio.mapped import map_sound, place_in_file
from syncbox.engine.shared import load_object, share_object


def made(frames: int = 5000) -> np.ndarray:
    return np.arange(2 * frames, dtype=np.float32).reshape(2, frames)


def test_a_long_sound_is_the_same_from_its_file(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    first, again = cache.mapped("long", made), cache.mapped("long", lambda: 1 / 0)
    for sound in (first, again):
        assert np.array_equal(sound, made())
        assert not sound.flags.writeable
        assert place_in_file(sound) is not None


def test_where_nothing_can_be_kept_it_is_in_memory(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    sound = Cache(tmp_path / "file").mapped("long", made)
    assert np.array_equal(sound, made())
    assert place_in_file(sound) is None


@pytest.mark.parametrize("spoil", [lambda data: data[:100], lambda data: b"x" + data[1:]])
def test_a_file_that_is_no_such_file_is_made_again(tmp_path: Path, spoil: object) -> None:
    cache = Cache(tmp_path)
    cache.mapped("long", made)
    path = tmp_path / "long.sound"
    path.write_bytes(spoil(path.read_bytes()))  # type: ignore[operator]
    assert np.array_equal(cache.mapped("long", made), made())


@pytest.mark.parametrize("part", [np.s_[:, :], np.s_[:, 1234:], np.s_[1:, 10:-7]])
def test_another_process_gets_the_place_and_not_the_samples(tmp_path: Path, part: object) -> None:
    sound = Cache(tmp_path).mapped("long", lambda: made(500_000))[part]  # type: ignore[index]
    plain = np.ones((1, 100), dtype=np.float32)
    segment = share_object((sound, plain))
    try:
        assert segment.size < 20_000
        there, beside = load_object(segment)
        assert np.array_equal(there, sound)
        assert np.array_equal(beside, plain)
        assert place_in_file(there) == place_in_file(sound)
        del there, beside
    finally:
        segment.close()


def test_an_array_in_memory_has_no_place_and_a_row_of_a_mapped_one_has(tmp_path: Path) -> None:
    assert place_in_file(made()) is None
    assert place_in_file("nothing") is None
    sound = Cache(tmp_path).mapped("long", made)
    place = place_in_file(sound[:, 100:])
    assert place is not None
    offset, length = place.row_bytes(1, 50, 3)
    data = Path(place.path).read_bytes()[offset : offset + length]
    assert np.frombuffer(data, np.float32).tolist() == [5150.0, 5151.0, 5152.0]
    assert place.row_bytes(0, 10_000, 5)[1] == 0
    assert place.row_bytes(0, -5, 7)[1] == 8
    assert np.array_equal(map_sound(*place), sound[:, 100:])
    assert len(pickle.dumps(tuple(place))) < 500
