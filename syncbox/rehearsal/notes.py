"""What a reading says in words beside its numbers: where it begins and ends, at which tempo."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from syncbox.rehearsal.form import UNTOLD_AGREE
from syncbox.rehearsal.trying import Tried

if TYPE_CHECKING:
    from syncbox.rehearsal.reading import BarRow


def notes_of(found: Tried, *, clicked: bool, locked: bool) -> tuple[str, ...]:
    """What must be known to understand the numbers.

    clicked: the band kept to the map all through; locked: the take's bar 1 was told.
    """
    chart, placed = found.chart, found.settled.course.placed
    notes = []
    if placed[0].index > chart.first:
        number = chart.bars[placed[0].index].number
        notes.append(f"the take begins in the middle of the song, at bar {number}")
    if placed[-1].index < len(chart.bars) - 1:
        number = chart.bars[placed[-1].index].number
        notes.append(f"the take ends before the song does, after bar {number}")
    if found.settled.elsewhere:
        others = [chart.bars[index].number for index in found.settled.elsewhere]
        listed = " or ".join(f"at bar {number}" for number in others)
        notes.append(f"it may as well begin {listed}: the bars sound alike there")
    elif notes and found.settled.form.worst == UNTOLD_AGREE:
        notes.append("where it begins is a guess: no section comes twice in the take")
    if clicked and not locked:
        notes.append(
            "the band kept to the map all through; a delay of the recording chain is the same for "
            "all beats and cannot be told from playing late, so it is taken out"
        )
    if not clicked:
        notes.append("played freely: the map is laid at the first beats and after every hold")
    return tuple(notes)


def far_note(bars: Sequence[BarRow]) -> str:
    """The tempo of a take far from the map's."""
    told = [bar for bar in bars if bar.tempo is not None]
    tempo = float(np.median([bar.tempo or 0.0 for bar in told])) if told else 0.0
    share = (
        float(np.median([(bar.tempo or 0.0) / bar.map_tempo for bar in told])) - 1 if told else 0.0
    )
    way = "faster" if share > 0 else "slower"
    return (
        f"played at about quarter = {tempo:.0f}, {abs(share):.0%} {way} than the map: beats are "
        "held against the map at that tempo, tempi against the map as it is written"
    ).replace("%", " %")


def seems(found: Tried) -> str:
    """At which tempo a take that does not match seems to be, and what to do about it."""
    if found.seems is None:
        return ""
    music = [bar.tempo_qpm for bar in found.chart.bars if not bar.opening]
    tempo, share = float(np.median(music)) / found.pace * found.seems, found.seems - 1
    return (
        f"; it seems to be played at about quarter = {tempo:.0f}, {abs(share):.0%} "
        f"{'faster' if share > 0 else 'slower'} than the map: if it is this song, read it with "
        f"--speed {found.seems:.0%}"
    ).replace("% ", " % ")
