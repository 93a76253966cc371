"""Time code as numbers: frames of a code to hours:minutes:seconds:frames and back, exactly.

A code counts *code frames*, 24 to 30 a second; the frames of the audio clock are
something else. At 30000/1001 a second the labels either drop numbers to keep up with
the clock on the wall, or count on and fall behind it by 3.6 seconds an hour.

Rates and labels: SMPTE ST 12-1 (time and control code).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from enum import Enum
from fractions import Fraction
from math import ceil
from typing import NamedTuple

HOURS = 24  # then the code begins again


class CodeRate(Enum):
    """How many code frames a second, and how they are numbered."""

    FPS_24 = "24"
    FPS_25 = "25"
    DROP = "29.97 drop"
    NON_DROP = "29.97 non-drop"
    FPS_30 = "30"

    @property
    def nominal(self) -> int:
        """Code frames that a label's second has."""
        return {"24": 24, "25": 25}.get(self.value, 30)

    @property
    def per_second(self) -> Fraction:
        """Code frames in a real second, exactly."""
        pulled = self in (CodeRate.DROP, CodeRate.NON_DROP)
        return Fraction(30_000, 1001) if pulled else Fraction(self.nominal)

    @property
    def drops(self) -> bool:
        """Whether labels ;00 and ;01 are left out in every minute but each tenth."""
        return self is CodeRate.DROP

    @property
    def frames_a_day(self) -> int:
        """Labels in 24 hours of the code."""
        dropped = 2 * (HOURS * 60 - HOURS * 6) if self.drops else 0
        return HOURS * 3600 * self.nominal - dropped


class Label(NamedTuple):
    """What the code says: hours from 0 to 23, minutes, seconds, code frames."""

    hours: int
    minutes: int
    seconds: int
    frames: int


@dataclass(frozen=True, slots=True)
class TimeCode:
    """The code of a song. `start` is the code frame at the downbeat of bar 1.

    `in_count` lets it run through the count-in as well, up to `start`.
    """

    rate: CodeRate
    start: int = 0
    in_count: bool = False


def frames_of(label: Label, rate: CodeRate) -> int:
    """The number of a label's code frame, from 0 at 00:00:00:00. Raises ValueError for no label."""
    hours, minutes, seconds, frames = label
    if not (0 <= hours < HOURS and 0 <= minutes < 60 and 0 <= seconds < 60):
        raise ValueError("hours go to 23, minutes and seconds to 59")
    if not 0 <= frames < rate.nominal:
        raise ValueError(f"frames go from 0 to {rate.nominal - 1} at {rate.value}")
    if rate.drops and minutes % 10 and not seconds and frames < 2:
        raise ValueError("drop code has no frames 00 and 01 here")
    whole_minutes = 60 * hours + minutes
    count = rate.nominal * (60 * whole_minutes + seconds) + frames
    return count - 2 * (whole_minutes - whole_minutes // 10) if rate.drops else count


def label_of(frames: int, rate: CodeRate) -> Label:
    """The label of a code frame; any whole number, counted round the 24 hours."""
    count = frames % rate.frames_a_day
    if rate.drops:
        # 17982 labels in ten minutes: 1800 in the first, 1798 in each of the others.
        tens, rest = divmod(count, 17_982)
        count += 18 * tens + (2 * ((rest - 2) // 1798) if rest >= 2 else 0)
    seconds, frame = divmod(count, rate.nominal)
    return Label(seconds // 3600, seconds // 60 % 60, seconds % 60, frame)


def shown(label: Label, rate: CodeRate) -> str:
    """`01:00:00:00`, with a semicolon before the frames of a drop code."""
    hours, minutes, seconds, frames = label
    return f"{hours:02}:{minutes:02}:{seconds:02}{';' if rate.drops else ':'}{frames:02}"


_LABEL = re.compile(r"([0-9]{1,2}):([0-9]{1,2}):([0-9]{1,2})(?:[:;.]([0-9]{1,2}))?")


def parsed(text: str) -> Label:
    """A label as it is written; the code frames may be left out. Raises ValueError."""
    match = _LABEL.fullmatch(text.strip())
    if match is None:
        raise ValueError("write hours:minutes:seconds:frames, for example 01:00:00:00")
    return Label(*(int(part or 0) for part in match.groups()))


@dataclass(frozen=True, slots=True)
class SetTimeCode:
    """The code of a set. Each song starts `apart_seconds` after the one before.

    If that is None, the code runs on: a song starts where the songs before it end,
    as long as usual, at the next whole second.
    """

    first: TimeCode
    apart_seconds: Fraction | None = None

    def of_song(self, index: int, seconds_before: Fraction) -> TimeCode:
        """The code of a song by its place in the set, after so many seconds of music."""
        rate = self.first.rate
        if self.apart_seconds is not None:
            later = index * int(self.apart_seconds)
        else:  # a second of drop code is a real one, all in all
            later = ceil(seconds_before * (1 if rate.drops else rate.per_second / rate.nominal))
        hours, minutes, seconds, frames = label_of(self.first.start, rate)
        minutes, seconds = divmod(3600 * hours + 60 * minutes + seconds + later, 60)
        if rate.drops and minutes % 10 and not seconds:
            frames = max(frames, 2)
        label = Label(minutes // 60 % HOURS, minutes % 60, seconds, frames)
        return replace(self.first, start=frames_of(label, rate))
