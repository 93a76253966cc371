"""How the night stands against its slot: time gone, and by how much the set will run over. Pure.

What is left is counted from the very beat that sounds: the rest of the song as it is usually
played, at the tempo that holds now, and then the other songs of the set with what lies
between them. So the total changes only when something is not as usual: a jump, a vamp that goes
round once more, a pause that lasts. It holds on nothing but the place, so it is right at once
after a take-over, whoever has played before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

from syncbox.engine.tapping import Said
from syncbox.engine.transport import State
from syncbox.score.layout import Leg, LegKind, lay_out
from syncbox.score.night import tonight
from syncbox.score.rig import Show, Then

if TYPE_CHECKING:
    from syncbox.engine.state import Now
    from syncbox.schedule.program import CompiledSong

TALK_SECONDS = 15  # between two songs, where someone presses start; common practice, no source
STILL = (State.STOPPED, State.WAITING)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where the set is: a round of a leg, the beat in it, and how long ago that began.

    `speed` is the tempo against the written one. `over`: nothing of the set is left.
    """

    song_index: int
    leg_index: int
    round_no: int = 1
    goes_on: bool = False  # a vamp is left after this round, whatever is usual
    bar: int = 0  # of the section, from 1; 0: nothing of the leg has sounded
    beat: int = 0
    since_beat_s: float = 0.0
    speed: float = 1.0
    later_speed: float = 1.0  # of the songs after this one
    over: bool = False


def _speeds(now: Now) -> tuple[float, float]:
    """Of this song and of those after it. A leader's or a counted tempo is for one song."""
    if now.leader_leads and now.leader_mqpm and now.tempo_mqpm:
        return now.leader_mqpm / now.tempo_mqpm, 1.0
    trimmed = 1 + now.trim_permille / 1000
    return trimmed, 1.0 if now.count_said in (Said.STARTED, Said.TAPPED) else trimmed


class _Sheet:
    """One song with its lengths, at the written tempo, in seconds."""

    def __init__(self, legs: Sequence[Leg]) -> None:
        self.legs = legs
        self._round_s = [float(leg.duration_s) for leg in legs]
        self._after_s = [0.0] * len(legs)  # all rounds of all later legs; those of holds apart
        self._holds_s = [0.0] * len(legs)
        music = holds = 0.0
        for index in range(len(legs) - 1, -1, -1):
            self._after_s[index], self._holds_s[index] = music, holds
            whole = self._round_s[index] * legs[index].usual_rounds
            if legs[index].kind is LegKind.HOLD:
                holds += whole
            else:
                music += whole
        self.music_s, self.holds_s = music, holds
        self.opening_s = sum(self._round_s[leg.index] for leg in legs if leg.section_index < 0)

    def left_s(self, spot: Spot) -> float:
        """From a spot to the end of the song."""
        index = min(max(spot.leg_index, 0), len(self.legs) - 1)
        leg, round_s = self.legs[index], self._round_s[index]
        if leg.kind is LegKind.HOLD:
            held_s = max(0.0, spot.since_beat_s - self._rest_of_beat_s(index - 1, spot))
            held_left_s = max(0.0, round_s - held_s)
            return self._after_s[index] / spot.speed + self._holds_s[index] + held_left_s
        rounds = 1 if spot.goes_on else max(leg.usual_rounds - spot.round_no, 0) + 1
        here_s = rounds * round_s - self._beat_s(leg, spot)
        here_s = max(0.0, here_s / spot.speed - (spot.since_beat_s if spot.bar else 0.0))
        return here_s + self._after_s[index] / spot.speed + self._holds_s[index]

    def _beat_s(self, leg: Leg, spot: Spot) -> float:
        """From the beginning of a leg to the beat that sounds."""
        for bar in leg.bars:
            if bar.section_bar == spot.bar:
                starts = bar.meter.beat_starts()
                tick = bar.start_tick + starts[min(max(spot.beat, 1), len(starts)) - 1]
                return float(leg.tempo_map.seconds_at(tick))
        return 0.0

    def _rest_of_beat_s(self, index: int, spot: Spot) -> float:
        """What was left of a leg when its last beat began, before a hold."""
        if index < 0:
            return 0.0
        return (self._round_s[index] - self._beat_s(self.legs[index], spot)) / spot.speed


class SetClock:
    """The set's usual length, song by song, with tonight's changes."""

    def __init__(self, show: Show, songs: Sequence[CompiledSong]) -> None:
        """`songs` are the set as compiled from the same show."""
        self._first_legs = [song.entry.leg_index for song in songs]
        self._slot_s = show.set_list.slot_seconds
        entries = show.set_list.entries
        played = [tonight(show.songs[entry.song_id], entry) for entry in entries]
        self._sheets = [_Sheet(lay_out(song).legs) for song in played]
        # All that comes after each song: what goes with the tempo, and holds and pauses.
        self._later_s = [(0.0, 0.0)] * len(songs)
        for index in range(len(songs) - 2, -1, -1):
            entry, sheet = entries[index], self._sheets[index + 1]
            music_s, fixed_s = self._later_s[index + 1]
            music_s += sheet.music_s - (sheet.opening_s if entry.then is Then.SEGUE else 0.0)
            pause = {Then.WAIT: Fraction(TALK_SECONDS), Then.GAP: entry.gap_seconds}
            fixed_s += sheet.holds_s + float(pause.get(entry.then, 0))
            self._later_s[index] = music_s, fixed_s

    def spot(self, now: Now, frame: int, rate: int) -> Spot:
        """Where an engine is, by what it tells, at a frame of it."""
        first_leg, speeds = self._first_legs[now.song_index], _speeds(now)
        waiting = Spot(now.song_index, first_leg, speed=speeds[0], later_speed=speeds[1])
        if now.transport in STILL:
            # A song that was chosen since has no place yet.
            over = now.transport == State.STOPPED and bool(now.sets_over and now.bar)
            return replace(waiting, over=over)
        if now.transport == State.COUNTING_IN:
            # Start was pressed a moment ago, and the numbers are still of what was before.
            leg = self._sheets[now.song_index].legs[now.leg_index]
            if leg.kind is LegKind.SECTION:
                return waiting
        return Spot(
            now.song_index,
            now.leg_index,
            now.round_no,
            bool(now.cue_pending and not now.cue_late),
            now.bar,
            now.beat,
            (frame - now.beat_frame) / rate,
            *speeds,
        )

    def remaining_s(self, spot: Spot) -> float:
        """Usual seconds from a spot to the end of the set."""
        if spot.over:
            return 0.0
        music_s, fixed_s = self._later_s[spot.song_index]
        here_s = self._sheets[spot.song_index].left_s(spot)
        return here_s + music_s / spot.later_speed + fixed_s

    def read(self, spot: Spot, gone_s: float) -> tuple[str, str]:
        """(time gone of the slot, by how much it will run over), empty where there is no slot.

        `gone_s` are the seconds since the first song of the set was started.
        """
        if self._slot_s is None:
            return "", ""
        over_s = gone_s + self.remaining_s(spot) - float(self._slot_s)
        over = f"{clock(over_s)} over" if over_s >= 1 else ""
        return f"{clock(gone_s)} of {clock(float(self._slot_s))}", over


def clock(seconds: float) -> str:
    """12:05 for 725 seconds, 1:02:05 for 3725."""
    whole = int(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"
