"""What was prepared is kept, found again, noticed when damaged, and made by two at once."""

import multiprocessing
import os

import numpy as np
import pytest

from syncbox.audio.cache import HEAD_BYTES, Cache, key_of

SOUND = np.random.default_rng(1).uniform(-1, 1, (2, 5000)).astype(np.float32)


class Maker:
    """Counts how often something is made."""

    def __init__(self, what=SOUND):
        self.what, self.times = what, 0

    def __call__(self):
        self.times += 1
        return self.what


def test_a_sound_is_made_once_and_then_read(tmp_path):
    make = Maker()
    for _ in range(3):
        found = Cache.beside(tmp_path).sound("a", make)
        assert (found == SOUND).all()
        assert found.dtype == np.float32
    assert make.times == 1


def test_the_folder_may_be_deleted_at_any_time(tmp_path):
    cache, make = Cache.beside(tmp_path), Maker()
    cache.sound("a", make)
    for path in cache.folder.iterdir():
        path.unlink()
    cache.folder.rmdir()
    assert (cache.sound("a", make) == SOUND).all()
    assert make.times == 2


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: data[:-1],
        lambda data: data[: HEAD_BYTES // 2],
        lambda data: b"",
        lambda data: data[:-5] + b"\x7f" + data[-4:],
        lambda data: b"X" + data[1:],
        lambda data: data + b"\0\0\0\0\0\0\0\0",
    ],
)
def test_a_damaged_sound_is_made_again(tmp_path, damage):
    cache, make = Cache.beside(tmp_path), Maker()
    cache.sound("a", make)
    (path,) = cache.folder.iterdir()
    path.write_bytes(damage(path.read_bytes()))
    assert (cache.sound("a", make) == SOUND).all()
    assert make.times == 2
    assert (cache.sound("a", make) == SOUND).all()
    assert make.times == 2


@pytest.mark.parametrize("damage", [b"", b"{", b'{"value": 3, "sum": "x"}', b"[1]", b"\xff\xfe"])
def test_a_damaged_note_is_made_again(tmp_path, damage):
    cache, make = Cache.beside(tmp_path), Maker([1.5, None, True])
    assert cache.note("a", make) == [1.5, None, True]
    assert cache.note("a", make) == [1.5, None, True]
    assert make.times == 1
    (path,) = cache.folder.iterdir()
    path.write_bytes(damage)
    assert cache.note("a", make) == [1.5, None, True]
    assert make.times == 2


def test_a_folder_that_cannot_be_written_costs_only_time(tmp_path):
    (tmp_path / ".prepared").write_text("a file stands in the way")
    cache, make = Cache.beside(tmp_path), Maker()
    for _ in range(2):
        assert (cache.sound("a", make) == SOUND).all()
        assert cache.note("b", lambda: 7) == 7
    cache.tidy()
    assert make.times == 2


def test_a_source_that_changes_has_another_hash(tmp_path):
    file = tmp_path / "a.wav"
    file.write_bytes(b"one")
    first = Cache.beside(tmp_path).source(file)
    assert Cache.beside(tmp_path).source(file) == first
    file.write_bytes(b"two")
    os.utime(file, ns=(1, 1))  # at another time, as any change is
    assert Cache.beside(tmp_path).source(file) != first


def test_names_tell_apart_what_differs():
    keys = [key_of("a", 1), key_of("a", 2), key_of("a1"), key_of("a", "1"), key_of("a", 1.5)]
    assert len(set(keys)) == len(keys)
    assert key_of("a", 1) == key_of("a", 1)


def _prepare(folder, barrier, out):
    cache = Cache.beside(folder)
    barrier.wait(30)
    for number in range(20):
        found = cache.sound(f"k{number}", lambda number=number: SOUND * np.float32(number))
        assert (found == SOUND * np.float32(number)).all()
    out.put(True)


def test_two_programs_at_once_both_get_whole_sounds(tmp_path):
    context = multiprocessing.get_context("spawn")
    barrier, out = context.Barrier(2), context.Queue()
    both = [context.Process(target=_prepare, args=(tmp_path, barrier, out)) for _ in range(2)]
    for process in both:
        process.start()
    for process in both:
        process.join(60)
    assert [process.exitcode for process in both] == [0, 0]
    names = [path.suffix for path in (tmp_path / ".prepared").iterdir()]
    assert names == [".sound"] * 20  # and nothing is left half written


def test_tidying_takes_what_is_old_and_nothing_else(tmp_path):
    cache = Cache.beside(tmp_path)
    cache.sound("new", Maker())
    cache.sound("old", Maker())
    dead = cache.folder / "x.part"
    dead.write_bytes(b"half")
    os.utime(cache.folder / "old.sound", (0, 0))
    os.utime(dead, (0, 0))
    cache.tidy()
    assert [path.name for path in cache.folder.iterdir()] == ["new.sound"]
