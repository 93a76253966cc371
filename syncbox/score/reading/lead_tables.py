"""What a rig or a song may say about who leads: another box's clock, the drummer's sticks."""

from __future__ import annotations

import re
from fractions import Fraction

from syncbox.score.reading import numbers
from syncbox.score.reading.control_tables import milliseconds
from syncbox.score.reading.fields import Field, Found, located, name, scalar
from syncbox.score.reading.nodes import Node
from syncbox.score.reading.report import Mistake, Report

FOLLOW_OFFSET_MS_MAX = 200
HITS_A_MINUTE_MIN, HITS_A_MINUTE_MAX = 20, 400
_RANGE = re.compile(r"([0-9.]+) ?(?:to|-|–) ?([0-9.]+)(?: bpm| a minute)?")


def _hits(text: str) -> tuple[Fraction, Fraction]:
    found = _RANGE.fullmatch(numbers.tidy(text))
    if not found:
        raise Mistake(
            f"{numbers.shown(text)} is not a range of tempi", "write for example 80 to 160"
        )
    low, high = numbers.decimal(found[1]), numbers.decimal(found[2])
    if not HITS_A_MINUTE_MIN <= low < high <= HITS_A_MINUTE_MAX:
        raise Mistake(
            f"{numbers.shown(text)} is not a range from slow to fast",
            f"write two numbers between {HITS_A_MINUTE_MIN} and {HITS_A_MINUTE_MAX}",
        )
    return low, high


STICK_START = Field(
    "stick-start",
    scalar(_hits, "80 to 160"),
    "how many beats a minute four stick hits may count; the song's tempo and 15 % if not written",
)
FOLLOW_FIELDS = (
    Field(
        "follow",
        located(scalar(name, "drum-box")),
        "the input whose clock, start, stop and song position lead",
    ),
    Field(
        "follow-offset",
        milliseconds(-FOLLOW_OFFSET_MS_MAX, FOLLOW_OFFSET_MS_MAX, "-4 ms"),
        "our time later than the leader's, or with a minus earlier",
    ),
)


def read_follow(found: Found, inputs: list[str], report: Report) -> str | None:
    """The input that leads, None if nothing does or it is not there."""
    nobody: tuple[Node, str] | None = None
    leader = found.get("follow", nobody)
    if leader is None:
        return None
    node, word = leader
    if word in inputs:
        return word
    guess = numbers.near(word, inputs)
    report.error(
        node,
        f"{numbers.shown(word)} is not one of the inputs",
        f"did you mean '{guess}'?" if guess else "write it under 'inputs', or one that is there",
    )
    return None
