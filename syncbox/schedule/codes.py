"""The time code of each song of a set, and clock pulses: what gear without a MIDI clock follows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.schedule.program import CompiledSong
from syncbox.score.layout import Leg, LegKind
from syncbox.score.rig import Pulse, Show
from syncbox.units import TICKS_PER_QUARTER, db_to_gain, ms_to_frames

PULSE_CLIP = "syncbox's pulse"  # no file can be called that


def with_codes(songs: Sequence[CompiledSong], show: Show, rate: int) -> tuple[CompiledSong, ...]:
    """The songs of a set with the code of each: its own, or that of the set."""
    coded = []
    of_set = show.set_list.time_code
    before = Fraction(0)  # frames of music, as long as usual, since the first song's bar 1
    for index, (entry, song) in enumerate(zip(show.set_list.entries, songs, strict=True)):
        if index:
            before -= song.legs[0].route_start  # its count-in
        code = show.songs[entry.song_id].time_code
        if code is None and of_set is not None:
            code = of_set.of_song(index, before / rate)
        coded.append(replace(song, time_code=code))
        last = song.legs[-1]
        before += last.route_start + last.usual_rounds * last.length
    return tuple(coded)


def pulse_clip(pulse: Pulse, rate: int) -> NDArray[np.float32]:
    """One pulse, shape (1, frames): square on purpose, an edge that gear can count."""
    frame_count = max(1, ms_to_frames(pulse.length_ms, rate=rate))
    return np.full((1, frame_count), db_to_gain(pulse.level_db), dtype=np.float32)


def pulse_ticks(leg: Leg, pulse: Pulse) -> Iterator[int]:
    """Where pulses fall in a leg: counted from its bar line on, and only where music is counted."""
    if leg.kind is LegKind.SECTION:
        count = 0
        while (tick := count * TICKS_PER_QUARTER // pulse.per_quarter) < leg.ticks:
            yield tick
            count += 1
