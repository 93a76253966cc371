"""What else a take may be: another song of the show, or the same one locked elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from syncbox.rehearsal.chart import chart_of
from syncbox.rehearsal.onsets import Onsets
from syncbox.rehearsal.reading import TakeReading, read_take
from syncbox.rehearsal.trying import MATCH_MIN, Tried
from syncbox.rehearsal.walk import LOCK_S
from syncbox.score.song import Song

_CLEARER = 0.1  # matches nearer to each other than this tell nothing


def beside_others(found: TakeReading, others: Sequence[Song], onsets: Onsets) -> TakeReading:
    """A reading that says which other song the take is more like, if it is.

    Nothing is tried where the song is sure. Others are tried at their map's own tempo.
    """
    if found.song_sure or len(onsets.times_s) < 8 or onsets.exact:
        return found
    tries = [(Tried.at(chart_of(other), onsets, 1.0, None).match, other) for other in others]
    match, other = max(tries, key=lambda each: each[0], default=(0.0, None))
    if other is None:
        return found
    if match >= MATCH_MIN and match > found.match + _CLEARER:
        return replace(found, more_like=other.title)
    if not found.found:
        return found
    note = "no other song of the show fits it as well"
    if match > found.match - _CLEARER:
        note = f"another song of the show fits it about as well: {other.title}"
    return replace(found, notes=(*found.notes, note))


def beside_free(found: TakeReading, song: Song, onsets: Onsets, locked_at_s: float) -> TakeReading:
    """A reading in lock that says where bar 1 lies without the lock, if surely elsewhere.

    A time that was typed wrong would otherwise move the map by beats without a word.
    """
    if onsets.exact:
        return found
    free = read_take(song, onsets)
    first = next((bar.start_s for bar in free.bars if bar.bar == 1), locked_at_s)
    if not free.song_sure or free.place_guessed or abs(first - locked_at_s) < LOCK_S:
        return found
    doubt = (
        f"by the sound bar 1 lies at {first:.2f} s of the take, not at {locked_at_s:.2f} s: "
        "is --locked-at right?"
    )
    return replace(found, lock_doubt=doubt)
