"""The time code of each song of a set, and clock pulses: what gear without a MIDI clock follows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.score.layout import Leg, LegKind, lay_out, usual_path
from syncbox.score.night import tonight
from syncbox.score.rig import Pulse, Show
from syncbox.score.timecode import TimeCode
from syncbox.units import TICKS_PER_QUARTER, db_to_gain, ms_to_frames

PULSE_CLIP = "syncbox's pulse"  # no file can be called that


def set_codes(show: Show) -> tuple[TimeCode | None, ...]:
    """The code of each song of the set: its own, or that of the set."""
    of_set = show.set_list.time_code
    codes = []
    before_s = Fraction(0)  # of music, as long as usual, since the first song's bar 1
    for index, entry in enumerate(show.set_list.entries):
        code = show.songs[entry.song_id].time_code
        if of_set is not None:
            steps = usual_path(lay_out(tonight(show.songs[entry.song_id], entry)))
            if index:
                before_s -= steps[0].start_s  # its count-in
            code = code or of_set.of_song(index, before_s)
            before_s += steps[-1].start_s + steps[-1].leg.duration_s
        codes.append(code)
    return tuple(codes)


def alone(show: Show, index: int) -> Show:
    """A set of one song of the set, which keeps its code and tonight's changes."""
    entry = show.set_list.entries[index]
    song = replace(show.songs[entry.song_id], time_code=set_codes(show)[index])
    return replace(
        show,
        songs={**show.songs, entry.song_id: song},
        set_list=replace(show.set_list, entries=(entry,)),
    )


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
