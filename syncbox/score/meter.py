"""Meter: how long a bar is, where its beats fall, and how they are felt."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from syncbox.units import TICKS_PER_WHOLE, Ticks

DENOMINATORS = (1, 2, 4, 8, 16, 32, 64)
NUMERATOR_MAX = 64


@dataclass(frozen=True, slots=True)
class Meter:
    """A meter with the grouping of its beats.

    `groups` counts denominator units to each felt beat: 4/4 is (1, 1, 1, 1),
    6/8 is (3, 3), 7/8 as 2+2+3 is (2, 2, 3). The groups add up to the numerator.
    """

    numerator: int
    denominator: int
    groups: tuple[int, ...]

    def __post_init__(self) -> None:
        assert 1 <= self.numerator <= NUMERATOR_MAX, self.numerator
        assert self.denominator in DENOMINATORS, self.denominator
        assert all(group > 0 for group in self.groups), self.groups
        assert sum(self.groups) == self.numerator, self.groups

    @classmethod
    def of(cls, numerator: int, denominator: int, groups: tuple[int, ...] = ()) -> Meter:
        """A meter; without groups, compound meters are felt in threes and all others in ones.

        A numerator that is a multiple of three and greater than three over 8 or
        more is compound: 6/8 has two beats (the convention of music theory
        textbooks; music21's TimeSignature.beatCount agrees). Those books count 6/4 as
        compound too; a band counts its six quarters (common practice, no source).
        """
        if not groups:
            compound = numerator > 3 and numerator % 3 == 0 and denominator >= 8
            groups = (3,) * (numerator // 3) if compound else (1,) * numerator
        return cls(numerator, denominator, groups)

    @property
    def unit_ticks(self) -> Ticks:
        """Ticks of one denominator unit."""
        return Ticks(TICKS_PER_WHOLE // self.denominator)

    @property
    def bar_ticks(self) -> Ticks:
        """Ticks of one bar."""
        return Ticks(self.numerator * self.unit_ticks)

    @property
    def beat_count(self) -> int:
        """Felt beats in a bar."""
        return len(self.groups)

    def beat_starts(self) -> tuple[Ticks, ...]:
        """Tick of each felt beat from the bar line, ascending, first 0."""
        starts, at = [], 0
        for group in self.groups:
            starts.append(Ticks(at * self.unit_ticks))
            at += group
        return tuple(starts)

    def tick_of_beat(self, beat: Fraction) -> Ticks:
        """Tick from the bar line of a felt beat counted from 1; 2.5 is halfway through beat 2.

        `beat` lies in [1, beat_count + 1); a fraction of a beat is rounded to the nearest tick.
        """
        whole = int(beat)
        assert 1 <= whole <= self.beat_count, beat
        start = self.beat_starts()[whole - 1]
        within = (beat - whole) * self.groups[whole - 1] * self.unit_ticks
        return Ticks(start + round(within))

    def __str__(self) -> str:
        default = Meter.of(self.numerator, self.denominator).groups
        plain = f"{self.numerator}/{self.denominator}"
        if self.groups == default:
            return plain
        return f"{plain} as {'+'.join(str(group) for group in self.groups)}"


COMMON_TIME = Meter.of(4, 4)
