"""How steady each player is, from the channels of a multitrack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from syncbox.rehearsal.attacks import attacks_of
from syncbox.rehearsal.intake import channel_count, is_sound, onsets_of_file, sound_pieces
from syncbox.rehearsal.onsets import RATE, Floats
from syncbox.rehearsal.reading import TakeReading
from syncbox.rehearsal.thresholds import scatter_word

_NEAR_S = 0.12  # a beat is looked for this near its place, and nearer where notes are dense
_ENOUGH = 8
# One standard deviation in median distances, if it is normal: notes that are no beats, but lie
# near one, do not count (P. Huber, Robust Statistics, 1981).
_NORMAL = 1.4826
# A soft begin, as of a bass, is found up to this much late; scatter does not suffer
# (measured on imagined takes: drums 0 ms, bass 11 ms in the middle).
TOGETHER_MS = 15.0


@dataclass(frozen=True, slots=True)
class Player:
    """One channel against the band's common course. Scatter is one standard deviation."""

    channel: int  # from 1
    beats: int
    late_ms: float
    scatter_ms: float
    word: str


def notes_of(take: Path) -> list[Floats]:
    """When notes begin in each channel of a take, seconds. Raises as `onsets_of_file` does."""
    if not is_sound(take):
        return [onsets_of_file(take).times_s]
    return [_attacks(take, channel) for channel in range(1, channel_count(take) + 1)]


def _attacks(take: Path, channel: int) -> Floats:
    times, begin_s = [np.empty(0)], 0.0
    for piece in sound_pieces(take, channel=channel):
        times.append(attacks_of(piece) + begin_s)
        begin_s += len(piece) / RATE
    return np.concatenate(times)


def players(found: TakeReading, channels: Sequence[Floats]) -> list[Player | None]:
    """Each channel in order, from the times of its notes; None where too few are on beats."""
    course = np.array(
        [beat.played_s - (beat.late_ms - beat.smooth_ms) / 1000 for beat in found.beats]
    )
    gap_s = float(np.median(np.diff(course))) if len(course) > 1 else 0.5
    return [_player(number, times, course, gap_s) for number, times in enumerate(channels, 1)]


def _player(number: int, times: Floats, course: Floats, gap_s: float) -> Player | None:
    if len(times) < _ENOUGH or not len(course):
        return None
    # Where notes come every sixteenth the one before and the one after are no candidates.
    dense_s = float(np.median(np.diff(times)))
    reach_s = min(_NEAR_S, gap_s / 3, max(0.5 * dense_s, 0.03))
    after = np.clip(np.searchsorted(times, course), 1, len(times) - 1)
    before = course - times[after - 1] < times[after] - course
    stray = np.where(before, times[after - 1], times[after]) - course
    stray_ms = 1000 * stray[np.abs(stray) < reach_s]
    if len(stray_ms) < _ENOUGH:
        return None
    middle = float(np.median(stray_ms))
    scatter = _NORMAL * float(np.median(np.abs(stray_ms - middle)))
    word = scatter_word(scatter, 1000 * gap_s)
    return Player(number, len(stray_ms), middle, scatter, word)


def sentences(found: Sequence[Player | None]) -> list[str]:
    """A line for each channel."""
    lines = []
    for number, player in enumerate(found, 1):
        if player is None:
            lines.append(f"channel {number}: too little on the beats to judge")
            continue
        where = "with the band"
        if abs(player.late_ms) >= TOGETHER_MS:
            way = "behind" if player.late_ms > 0 else "ahead of"
            where = f"{abs(player.late_ms):.0f} ms {way} the band"
        lines.append(
            f"channel {number}: {where}, scatter {player.scatter_ms:.0f} ms ({player.word}), "
            f"{player.beats} beats"
        )
    return lines
