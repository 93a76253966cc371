"""Reading mapped sounds ahead of the music, so that the engine never waits for a disk.

A thread of the host reads the files of the present song's stems a good way ahead of
where the music is, the beginnings of its sections, because a jump may come, and the
beginning of the coming song. It only reads: what it reads is then in the system's
memory, from where the engine's mapping has it at once.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

from syncbox.audio.mapped import PlaceInFile, place_in_file
from syncbox.schedule.program import CompiledSong, Program, SoundStart

if TYPE_CHECKING:
    from syncbox.engine.state import Now

AHEAD_S = 30  # of the music; twice what a slow card needs for sixteen stems
OPENING_S = 15  # of the coming song
SECTION_S = 3  # of every section of the present one
CHUNK_BYTES = 1 << 20
TURN_S = 0.5
_KEPT_CHUNKS = 2048  # 2 GB read lately; what was read before is read again if it is wanted


class Stem(NamedTuple):
    """A mapped sound in a song: `begins` on the usual route, with frame `from_frame`."""

    place: PlaceInFile
    begins: Fraction
    from_frame: int


class ReadAhead:
    """The thread. `look` gives the engine's frame and its Now, or None before there is one."""

    def __init__(self, program: Program, look: Callable[[], tuple[int, Now] | None]) -> None:
        self._program = program
        self._look = look
        self._stems = [stems_of(song, program) for song in program.songs]
        self._read: dict[tuple[str, int], None] = {}  # chunks, oldest first
        self._here: tuple[int, int, int] | None = None  # song, leg and round
        self._since = 0  # the engine's frame when that began
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="read ahead", daemon=True)
        self.needed = any(self._stems)
        if self.needed:
            self._thread.start()

    def _run(self) -> None:
        while not self._ended.is_set():
            for wanted in self.wanted():
                if self._ended.is_set():
                    return
                self._fetch(*wanted)
            self._ended.wait(TURN_S)

    def wanted(self) -> Iterator[tuple[str, int, int]]:
        """File, first byte and length of what should be in memory now, the nearest first."""
        seen = self._look()
        rate = self._program.rate
        song_index, at = 0, Fraction(0)
        if seen is not None:
            frame, now = seen
            song_index, at = now.song_index, self._position(frame, now)
        song = self._program.songs[song_index]
        yield from self._part(song_index, at, AHEAD_S * rate)
        for begins in dict.fromkeys(leg.route_start for leg in song.legs if leg.counted):
            yield from self._part(song_index, begins, SECTION_S * rate)
        if song_index + 1 < len(self._program.songs):
            yield from self._part(song_index + 1, Fraction(0), OPENING_S * rate)

    def _position(self, frame: int, now: Now) -> Fraction:
        """Where the music is on the song's usual route, near enough for reading."""
        song = self._program.songs[now.song_index]
        here = (now.song_index, now.leg_index, now.round_no)
        if here != self._here:
            self._here, self._since = here, frame
        if now.bar == 0:  # nothing of it has sounded yet
            entry = song.entry
            return song.legs[entry.leg_index].route_start + entry.offset
        return song.legs[now.leg_index].route_start + (frame - self._since)

    def _part(self, song: int, at: Fraction, frames: int) -> Iterator[tuple[str, int, int]]:
        for stem in self._stems[song]:
            first = stem.from_frame + int(at - stem.begins)
            for row in range(stem.place.shape[0]):
                yield stem.place.path, *stem.place.row_bytes(row, first, frames)

    def _fetch(self, path: str, offset: int, length: int) -> None:
        if length <= 0:
            return
        with contextlib.suppress(OSError), open(path, "rb", buffering=0) as file:
            for chunk in range(offset // CHUNK_BYTES, (offset + length - 1) // CHUNK_BYTES + 1):
                if (path, chunk) in self._read or self._ended.is_set():
                    continue
                file.seek(chunk * CHUNK_BYTES)
                file.read(CHUNK_BYTES)
                self._read[path, chunk] = None
                if len(self._read) > _KEPT_CHUNKS:
                    del self._read[next(iter(self._read))]

    def close(self) -> None:
        """Stop reading."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join(1.0)


def stems_of(song: CompiledSong, program: Program) -> list[Stem]:
    """The mapped sounds that a song starts, by where they begin on its usual route."""
    found = []
    for leg in song.legs:
        for index, event in enumerate(leg.events):
            if isinstance(event, SoundStart):
                place = place_in_file(program.clips[event.clip])
                if place is not None:
                    begins = leg.route_start + leg.event_offsets.exact(index)
                    found.append(Stem(place, begins, event.from_frame))
    return found
