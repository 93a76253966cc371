"""A doubtful take held against the other songs of the show: it may be one of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from syncbox.rehearsal.chart import chart_of
from syncbox.rehearsal.onsets import Onsets
from syncbox.rehearsal.reading import TakeReading
from syncbox.rehearsal.trying import MATCH_MIN, Tried
from syncbox.score.song import Song

_CLEARER = 0.1  # a match that another song must have more


def beside_others(found: TakeReading, others: Sequence[Song], onsets: Onsets) -> TakeReading:
    """A reading that says which other song the take is more like, if it is.

    Nothing is tried where the song is sure. Others are tried at their map's own tempo.
    """
    if found.song_sure or len(onsets.times_s) < 8 or onsets.exact:
        return found
    tries = [(Tried.at(chart_of(other), onsets, 1.0, None).match, other) for other in others]
    match, other = max(tries, key=lambda each: each[0], default=(0.0, None))
    if other is not None and match >= MATCH_MIN and match > found.match + _CLEARER:
        return replace(found, more_like=other.title)
    if found.found and tries:
        return replace(found, notes=(*found.notes, "no other song of the show fits it as well"))
    return found
