"""A take followed at the map's own tempo, and where that does not fit, far from it."""

from __future__ import annotations

from dataclasses import dataclass

from syncbox.rehearsal.beats import Beats, place_beats
from syncbox.rehearsal.belief import match_of
from syncbox.rehearsal.chart import Chart, at_pace
from syncbox.rehearsal.following import follow
from syncbox.rehearsal.onsets import Onsets
from syncbox.rehearsal.structure import Reading, settle

MATCH_MIN = 0.5  # below this a take does not look like the song
FAR_PACES = (2 / 3, 3 / 2)  # with the map's own: 0.53 to 1.87, so never half or double
FAR_MATCH_MIN = 0.7  # who asks three times must be surer of the answer


@dataclass(frozen=True, slots=True)
class Tried:
    """A take followed at one pace against the map: 1.2 is a fifth faster."""

    chart: Chart
    pace: float
    settled: Reading
    beats: Beats | None
    match: float

    @classmethod
    def at(cls, chart: Chart, onsets: Onsets, pace: float, locked_at_s: float | None) -> Tried:
        paced = at_pace(chart, pace) if pace != 1.0 else chart
        settled = settle(paced, follow(paced, onsets, locked_at_s), onsets)
        if len(settled.course.placed) < 3:
            return cls(paced, pace, settled, None, 0.0)
        beats = place_beats(paced, settled.course.placed, onsets)
        return cls(paced, pace, settled, beats, match_of(paced, settled, beats, onsets, pace))


def tried(chart: Chart, onsets: Onsets, locked_at_s: float | None) -> Tried:
    """The best of what was tried; its match says whether it is the song at all."""
    own = Tried.at(chart, onsets, 1.0, locked_at_s)
    if own.match >= MATCH_MIN or locked_at_s is not None:
        return own
    best = max((Tried.at(chart, onsets, pace, None) for pace in FAR_PACES), key=lambda t: t.match)
    return best if best.match >= FAR_MATCH_MIN else own
