"""How loud the sounds of a show are, and what the rig's loudness makes of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from syncbox.audio.cache import Cache, key_of
from syncbox.audio.clips import clip_info, files_of, inside, read_clip
from syncbox.audio.loudness import matching_gain_db, meter_library
from syncbox.audio.prepare import lowest_ceiling_db, matched_files, measured
from syncbox.errors import SyncboxError
from syncbox.score.rig import Show

RATE = 48_000


@dataclass(frozen=True, slots=True)
class SoundRow:
    """One file. `seconds` None: it cannot be read; `gain_db` None: it is left as it is."""

    file: str
    seconds: float | None = None
    lufs: float | None = None
    true_peak_db: float | None = None
    gain_db: float | None = None
    held_back: bool = False  # its peaks would pass the lowest ceiling of the mixes


def sound_rows(show: Show, folder: Path) -> Iterator[SoundRow]:
    """Every sound file of a show, in alphabetical order. Needs the extra `fit`."""
    meter_library()  # without it every file would seem to be at fault
    cache = Cache.beside(folder)
    songs = list(show.songs.values())
    matched = matched_files(songs)
    for file in sorted({name for song in songs for name in files_of(song)}):
        try:
            path = inside(folder, file)
            info = clip_info(path)
            key = key_of(cache.source(path), file, RATE)
            found = measured(
                cache,
                key,
                partial(read_clip, path, RATE),
                RATE,
                goes_round=matched.get(file, False),
            )
        except (SyncboxError, OSError):
            yield SoundRow(file)
            continue
        gain_db, held = None, False
        if show.rig.loudness_lufs is not None and file in matched:
            gain_db = matching_gain_db(found, show.rig.loudness_lufs, lowest_ceiling_db(show.rig))
            wanted_db = 0.0 if found.lufs is None else show.rig.loudness_lufs - found.lufs
            held = gain_db < wanted_db - 0.05
        seconds = info.frame_count / info.rate
        yield SoundRow(file, seconds, found.lufs, found.true_peak_db, gain_db, held)
