"""Cues without a person: how often each vamp goes round and how long each hold lasts."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class CueScript:
    """Rounds of each vamp and seconds of each hold, in the order in which the show meets them.

    Where the script ends, or for an entry of None, the song's own usual number counts.
    """

    rounds: tuple[int | None, ...] = ()
    hold_seconds: tuple[Fraction | None, ...] = ()

    def rounds_of(self, index: int, usual: int) -> int:
        """Rounds of the vamp met as number `index`, from 0; at least 1."""
        chosen = self.rounds[index] if index < len(self.rounds) else None
        return max(1, usual if chosen is None else chosen)

    def hold_of(self, index: int, usual: Fraction) -> Fraction:
        """Seconds of the hold met as number `index`, from 0."""
        chosen = self.hold_seconds[index] if index < len(self.hold_seconds) else None
        return usual if chosen is None else chosen
