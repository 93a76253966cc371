"""One thing wrong with a show: where, what, and what to write instead."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from syncbox.score.song import Place


class Severity(Enum):
    """Whether the show can be played in spite of it."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Problem:
    """What `check` reports. `hint` says what to write instead, in the file's own words."""

    place: Place
    what: str
    hint: str = ""
    severity: Severity = Severity.ERROR

    def __str__(self) -> str:
        advice = f"\n    {self.hint}" if self.hint else ""
        return f"{self.place}: {self.severity.value}: {self.what}{advice}"
