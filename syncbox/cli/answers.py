"""What `compare` has read: takes one by one, and recordings of `rehearse` round by round."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from syncbox.errors import ShowError, SyncboxError

if TYPE_CHECKING:
    from syncbox.rehearsal.reading import TakeReading
    from syncbox.rehearsal.rehearsed import RoundPart
    from syncbox.score.song import Song


@dataclass(frozen=True, slots=True)
class Answer:
    """One reading, and what it is of."""

    take: Path
    found: TakeReading
    round_no: int | None = None  # of a rehearsal
    speed: Fraction = Fraction(1)  # of the map's, at which it was rehearsed

    @property
    def round(self) -> str:
        """`round 2 at 85 %`, or nothing."""
        at = "" if self.speed == Fraction(1) else f" at {float(100 * self.speed):g} %"
        return f"round {self.round_no}{at}" if self.round_no else ""

    @property
    def name(self) -> str:
        """As a title names it."""
        return f"{self.take.name}, {self.round}" if self.round else self.take.name

    @property
    def path(self) -> str:
        """As a person named it."""
        return f"{self.take}, {self.round}" if self.round else str(self.take)

    @property
    def named(self) -> dict[str, Any]:
        """The same for other programs."""
        named: dict[str, Any] = {"take": str(self.take)}
        if self.round_no:
            named |= {"round": self.round_no, "speed": float(self.speed)}
        return named


def read_answers(
    song: Song,
    takes: Sequence[Path],
    folder: Path,
    *,
    round_no: int | None,
    jobs: int | None,
    **how: Any,
) -> tuple[list[Answer], list[SyncboxError]]:
    """Readings of takes in order, and what went wrong with those that cannot be read.

    `how` is what `read_takes` is told. What the show's log knows of a recording is used
    where the person says nothing else of it. One take alone raises what is wrong with it.
    """
    from syncbox.rehearsal.many import read_takes
    from syncbox.rehearsal.rehearsed import rounds_of

    told = how.get("locked_at_s") is not None or how.get("speed") is not None
    rounds = {} if told else {take: rounds_of(folder, song, take) for take in takes}
    plain = [take for take in takes if not rounds.get(take)]
    if round_no is not None and plain:
        raise ShowError(
            "this is no recording of a rehearsal in the show's log, so it has no rounds",
            where=str(plain[0]),
            hint="leave out --round; `syncbox takes` lists what is in the log",
        )
    read = dict(zip(plain, read_takes(song, plain, jobs=jobs, **how) if plain else (), strict=True))
    answers: list[Answer] = []
    wrong: list[SyncboxError] = []
    for take in takes:
        one = read.get(take)
        if isinstance(one, SyncboxError):
            wrong.append(one)
        elif one is not None:
            answers.append(Answer(take, one))
        else:
            try:
                answers += _of_rounds(take, rounds[take], round_no, how.get("channel"))
            except SyncboxError as error:
                if len(takes) == 1:
                    raise
                wrong.append(error)
    return answers, wrong


def _of_rounds(
    take: Path, rounds: Sequence[RoundPart], round_no: int | None, channel: int | None
) -> list[Answer]:
    from syncbox.rehearsal.intake import onsets_of_file
    from syncbox.rehearsal.rehearsed import read_rounds

    wanted = [each for each in rounds if round_no in (None, each.number)]
    if not wanted:
        numbers = ", ".join(str(each.number) for each in rounds)
        raise ShowError(
            f"there is no round {round_no}", where=str(take), hint=f"the log has {numbers}"
        )
    readings = read_rounds(onsets_of_file(take, channel=channel), wanted)
    return [
        Answer(take, found, each.number, each.speed)
        for each, found in zip(wanted, readings, strict=True)
    ]
