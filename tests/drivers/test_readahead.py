from __future__ import annotations

import time
from pathlib import Path

import numpy as np
from building import item, program_of, section, song

from syncbox.audio.cache import HEAD_BYTES, Cache
from syncbox.drivers.readahead import AHEAD_S, OPENING_S, ReadAhead, stems_of
from syncbox.engine.state import Now
from syncbox.schedule.program import Program
from syncbox.score.song import AudioKind, PlayAudio

RATE = 8000
BAR = 16_000  # frames of 4/4 at 120
FRAMES = 200 * RATE


def program(folder: Path) -> Program:
    """Two songs; the stem of each begins in bar 2 and lasts longer than the song."""
    sound = np.zeros((2, FRAMES), dtype=np.float32)
    clips = {name: Cache(folder).mapped(name, lambda: sound) for name in ("one", "two")}
    songs = [
        song(section("A", 40, item(PlayAudio(name, name, AudioKind.STEM), bar=2)), section("B", 40))
        for name in clips
    ]
    return program_of(*songs, rate=RATE, clips=clips)


def test_a_stem_is_found_where_it_begins(tmp_path: Path) -> None:
    made = program(tmp_path)
    (stem,) = stems_of(made.songs[0], made)
    assert stem.begins == BAR
    assert Path(stem.place.path).stem == "one"


def test_the_nearest_is_read_first_and_then_what_may_come(tmp_path: Path) -> None:
    made = program(tmp_path)
    leg = next(i for i, each in enumerate(made.songs[0].legs) if each.section == "B")
    now = Now(song_index=0, leg_index=leg, bar=1)
    frame = 0
    reader = ReadAhead(made, lambda: None)
    reader.close()
    reader._look = lambda: (frame, now)
    list(reader.wanted())
    frame = 5 * RATE  # five seconds into the section
    wanted = list(reader.wanted())
    first_frame = 40 * BAR - BAR + 5 * RATE
    assert wanted[0][1:] == (HEAD_BYTES + 4 * first_frame, 4 * AHEAD_S * RATE)
    assert wanted[1][1] == HEAD_BYTES + 4 * (FRAMES + first_frame)
    opening = [each for each in wanted if Path(each[0]).stem == "two"]
    # The song begins a bar before its stem does.
    assert opening[0][1:] == (HEAD_BYTES, 4 * (OPENING_S * RATE - BAR))


def test_it_reads_by_itself_and_stops_when_told(tmp_path: Path) -> None:
    made = program(tmp_path)
    reader = ReadAhead(made, lambda: (0, Now()))
    assert reader.needed
    deadline_s = time.monotonic() + 20
    while not reader._read and time.monotonic() < deadline_s:
        time.sleep(0.01)
    reader.close()
    assert reader._read
    assert not reader._thread.is_alive()


def test_a_show_in_memory_needs_no_reading() -> None:
    made = program_of(song(section("A", 1)), rate=RATE)
    reader = ReadAhead(made, lambda: None)
    assert not reader.needed
    reader.close()
