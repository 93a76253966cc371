"""What a reading says in words beside its numbers: where it begins and ends, at which tempo."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from syncbox.rehearsal.form import UNTOLD_AGREE
from syncbox.rehearsal.trying import SURE_MATCH, Tried

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
    if found.match < SURE_MATCH:
        notes.append(
            "it may be another song: one whose sections come in the same order, at about this "
            "tempo, would match as well"
        )
    guess = why_guessed(found, locked=locked)
    if guess:
        listed = " or ".join(f"at bar {number}" for number in other_begins(found))
        also = f"; it may as well begin {listed}" if listed else ""
        notes.append(f"where it begins is a guess: {guess}{also}")
    if clicked and not locked:
        notes.append(
            "the band kept to the map all through; a delay of the recording chain is the same for "
            "all beats and cannot be told from playing late, so it is taken out"
        )
    if not clicked:
        notes.append("played freely: the map is laid at the first beats and after every hold")
    return tuple(notes)


def why_guessed(found: Tried, *, locked: bool) -> str:
    """Why it is not sure at which bar a take begins; empty: it is, as far as can be told."""
    settled, placed = found.settled, found.settled.course.placed
    whole = placed[0].index <= found.chart.first and placed[-1].index == len(found.chart.bars) - 1
    if whole or locked:
        return ""
    if settled.elsewhere:
        return "bars sound alike elsewhere in the song"
    return "no section comes twice in the take" if settled.form.worst == UNTOLD_AGREE else ""


def other_begins(found: Tried) -> list[int]:
    """Numbers of other bars at which a take may begin, the likeliest first."""
    others = found.settled.elsewhere or found.settled.next_best
    return [found.chart.bars[index].number for index in others]


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
