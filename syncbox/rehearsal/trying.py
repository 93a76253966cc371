"""A take followed at the map's own tempo, and where that does not fit, far from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from syncbox.rehearsal.beats import Beats, place_beats
from syncbox.rehearsal.belief import match_of
from syncbox.rehearsal.chart import Chart, at_pace
from syncbox.rehearsal.following import follow
from syncbox.rehearsal.onsets import Onsets
from syncbox.rehearsal.structure import Reading, settle

MATCH_MIN = 0.5  # below this a take does not look like the song
SURE_MATCH = 0.95  # below this another song of the same form and tempo may match as well
FAR_PACES = (2 / 3, 3 / 2)  # with the map's own: 0.53 to 1.87, so never half or double
SEEMS_MIN = 0.15  # below this not even the tempo is told
FAR_MATCH_MIN = 0.7  # who asks three times must be surer of the answer


@dataclass(frozen=True, slots=True)
class Tried:
    """A take followed at one pace against the map: 1.2 is a fifth faster."""

    chart: Chart
    pace: float
    settled: Reading
    beats: Beats | None
    match: float
    seems: float | None = None  # pace at which a take that does not match may have been played

    @classmethod
    def at(
        cls,
        chart: Chart,
        onsets: Onsets,
        pace: float,
        locked_at_s: float | None,
        *,
        told: bool = False,
    ) -> Tried:
        """A take followed at one pace; told: somebody says that it was played at it."""
        paced = at_pace(chart, pace) if pace != 1.0 else chart
        settled = settle(paced, follow(paced, onsets, locked_at_s), onsets)
        if len(settled.course.placed) < 3:
            return cls(paced, pace, settled, None, 0.0)
        beats = place_beats(paced, settled.course.placed, onsets)
        match = match_of(paced, settled, beats, onsets, 1.0 if told else pace)
        return cls(paced, pace, settled, beats, match)

    @property
    def played_pace(self) -> float:
        """How fast it was played against the map, by the middle bar."""
        ratios = [placed.ratio for placed in self.settled.course.placed]
        return self.pace * float(np.median(ratios)) if ratios else self.pace


def tried(
    chart: Chart, onsets: Onsets, locked_at_s: float | None, speed: float | None = None
) -> Tried:
    """The best of what was tried; its match says whether it is the song at all.

    speed: told by somebody who knows at which pace it was played; nothing else is tried then.
    """
    if speed is not None:
        return Tried.at(chart, onsets, speed, locked_at_s, told=True)
    own = Tried.at(chart, onsets, 1.0, locked_at_s)
    if own.match >= MATCH_MIN or locked_at_s is not None:
        return own
    far = [Tried.at(chart, onsets, pace, None) for pace in FAR_PACES]
    best = max(far, key=lambda t: t.match)
    if best.match >= FAR_MATCH_MIN:
        return best
    # Times alone, such as taps, fit a grid at many a tempo.
    return own if onsets.exact else replace(own, seems=_seems(own, far))


def _seems(own: Tried, far: Sequence[Tried]) -> float | None:
    """The pace at which a take fits best, if that is far from the map's own tempo."""
    best = max((own, *far), key=lambda t: t.match)
    return None if best is own or best.match < SEEMS_MIN else best.played_pace
