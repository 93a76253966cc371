"""How steady each player is, from the channels of a multitrack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from syncbox.rehearsal.onsets import Onsets
from syncbox.rehearsal.reading import TakeReading
from syncbox.rehearsal.thresholds import scatter_word

_NEAR_S = 0.08
_ENOUGH = 8


@dataclass(frozen=True, slots=True)
class Player:
    """One channel against the band's common course. Scatter is one standard deviation."""

    channel: int  # from 1
    beats: int
    late_ms: float
    scatter_ms: float
    word: str


def players(found: TakeReading, channels: Sequence[Onsets]) -> list[Player | None]:
    """Each channel in order; None where too few of its onsets fall on beats."""
    course = np.array(
        [beat.played_s - (beat.late_ms - beat.smooth_ms) / 1000 for beat in found.beats]
    )
    gap_ms = float(np.median(np.diff(course))) * 1000 if len(course) > 1 else 500.0
    out: list[Player | None] = []
    for number, onsets in enumerate(channels, 1):
        strong = onsets.times_s[onsets.weights > 0.3]
        stray = []
        for at in course:
            near = strong[np.abs(strong - at) < min(_NEAR_S, gap_ms / 4000)]
            if len(near):
                stray.append(1000 * float(near[np.abs(near - at).argmin()] - at))
        if len(stray) < _ENOUGH:
            out.append(None)
            continue
        scatter = float(np.std(stray))
        word = scatter_word(scatter, gap_ms)
        out.append(Player(number, len(stray), float(np.median(stray)), scatter, word))
    return out


def sentences(found: Sequence[Player | None]) -> list[str]:
    """A line for each channel."""
    lines = []
    for number, player in enumerate(found, 1):
        if player is None:
            lines.append(f"channel {number}: too little on the beats to judge")
            continue
        way = "behind" if player.late_ms > 0 else "ahead of"
        lines.append(
            f"channel {number}: {abs(player.late_ms):.0f} ms {way} the band's course, scatter "
            f"{player.scatter_ms:.0f} ms ({player.word}), {player.beats} beats"
        )
    return lines
