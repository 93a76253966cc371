"""How the night stands against its slot: time gone, and by how much the set will run over."""

from __future__ import annotations

from fractions import Fraction

from syncbox.score.layout import lay_out, usual_path
from syncbox.score.night import tonight
from syncbox.score.rig import Show, Then

TALK_SECONDS = 15  # between two songs, where someone presses start; common practice, no source


class SetClock:
    """The set's usual length, song by song, with tonight's changes."""

    def __init__(self, show: Show) -> None:
        self._slot_s = show.set_list.slot_seconds
        self._ends: list[Fraction] = []  # of each song, from its first downbeat
        self._leg_starts: list[dict[int, Fraction]] = []
        self._between: list[Fraction] = []  # after each song
        for entry in show.set_list.entries:
            steps = usual_path(lay_out(tonight(show.songs[entry.song_id], entry)))
            self._ends.append(steps[-1].start_s + steps[-1].leg.duration_s)
            self._leg_starts.append({s.leg.index: s.start_s for s in steps if s.round == 1})
            waits = Fraction(TALK_SECONDS) if entry.then is Then.WAIT else Fraction(0)
            self._between.append(entry.gap_seconds if entry.then is Then.GAP else waits)

    def remaining_s(self, song_index: int, leg_index: int) -> Fraction:
        """Usual seconds from the start of a leg to the end of the set."""
        starts = self._leg_starts[song_index]
        here = self._ends[song_index] - starts.get(leg_index, min(starts.values()))
        later = sum(self._ends[song_index + 1 :], Fraction(0))
        return here + later + sum(self._between[song_index:-1], Fraction(0))

    def read(self, song_index: int, leg_index: int, gone_s: float) -> tuple[str, str]:
        """(time gone of the slot, by how much it will run over), empty where there is no slot.

        `gone_s` are the seconds since the first song of the set was started.
        """
        if self._slot_s is None:
            return "", ""
        over_s = gone_s + float(self.remaining_s(song_index, leg_index)) - float(self._slot_s)
        over = f"{clock(over_s)} over" if over_s >= 1 else ""
        return f"{clock(gone_s)} of {clock(float(self._slot_s))}", over


def clock(seconds: float) -> str:
    """12:05 for 725 seconds, 1:02:05 for 3725."""
    whole = int(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"
