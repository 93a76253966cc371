"""What a rig may say about listener mixes: outputs, levels, sides, and where the click is heard."""

from __future__ import annotations

import re
from dataclasses import dataclass

from syncbox.score.reading import numbers
from syncbox.score.reading.control_tables import YES_NO
from syncbox.score.reading.fields import (
    Field,
    Found,
    Kind,
    Table,
    either,
    listed,
    located,
    named,
    scalar,
)
from syncbox.score.reading.nodes import Node, Scalar
from syncbox.score.reading.report import Mistake, Report
from syncbox.score.rig import EVERY_BAR

LEVEL_DB_MIN = -90.0
CEILING_DB_MIN = -60.0
OUTPUT_MAX = 64
SILENT_DB = float("-inf")
CLICK_BARS_MAX = 999


@dataclass(frozen=True, slots=True)
class MixLevel:
    """One source in a mix, with the nodes that only some sources may have."""

    level_db: float
    pan: tuple[Node, int] | None = None
    only: tuple[Node, int] | None = None


def _outputs(text: str) -> tuple[int, ...]:
    word = numbers.tidy(text)
    if not re.fullmatch(r"[0-9]{1,6}(?: ?(?:-|,|and|to) ?[0-9]{1,6})?", word):
        raise Mistake(
            f"{numbers.shown(text)} is not an output", "write one such as 3, or a pair such as 1-2"
        )
    return _checked([numbers.whole(n, 1, OUTPUT_MAX) for n in re.findall("[0-9]+", word)])


def _checked(channels: list[int]) -> tuple[int, ...]:
    if len(set(channels)) != len(channels) or not 1 <= len(channels) <= 2:
        raise Mistake("a mix goes to one output or to two different ones", "write for example 1-2")
    return tuple(channels)


def _read_outputs(node: Node, report: Report) -> tuple[int, ...] | None:
    one = scalar(_outputs, "1-2", number=True)
    if isinstance(node, Scalar):
        return one.read(node, report)
    channels = listed(scalar(lambda text: numbers.whole(text, 1, OUTPUT_MAX), "3")).read(
        node, report
    )
    if channels is None:
        return None
    try:
        return _checked(channels)
    except Mistake as mistake:
        report.error(node, mistake.what, mistake.hint)
        return None


OUTPUTS = Kind(
    _read_outputs,
    {
        "anyOf": [
            {"type": ["string", "integer"], "examples": ["1-2", 3]},
            {"type": "array", "items": {"type": "integer", "minimum": 1}, "maxItems": 2},
        ]
    },
)


def mix_level(text: str) -> float:
    if numbers.tidy(text) in {"off", "no", "none"}:
        return SILENT_DB
    try:
        return numbers.level(text, LEVEL_DB_MIN, 0.0)
    except Mistake as mistake:
        hint = mistake.hint
        if numbers.tidy(text).lstrip("+")[:1].isdigit():
            hint = "0 dB is the loudest; make the others softer, and turn up where you listen"
        raise Mistake(mistake.what, hint) from None


def _pan(text: str) -> int:
    """A place between the sides, -100 left to 100 right: `left`, `30 right`, `-20`, `centre`."""
    word = numbers.tidy(text).replace("\N{MINUS SIGN}", "-")
    if word in _SIDES:
        return _SIDES[word]
    found = re.fullmatch(r"(?:(half|[0-9]+) ?%? )?(left|right)(?: ([0-9]+) ?%?)?", word)
    if found and not (found[1] and found[3]):
        amount = found[1] or found[3] or "100"
        part = 50 if amount == "half" else numbers.whole(amount, 0, 100)
        return part if found[2] == "right" else -part
    if re.fullmatch(r"[+-]?[0-9]+", word):
        return numbers.whole(word, -100, 100)
    raise Mistake(
        f"{numbers.shown(text)} is not a place between left and right",
        "write left, right, centre, half left, or for example 30 right",
    )


_SIDES = {"left": -100, "right": 100, **dict.fromkeys(("centre", "center", "middle"), 0)}


def _only(text: str) -> int:
    """For how many bars the click is heard: 0 for the count-in alone."""
    word = numbers.tidy(text)
    if word in {"count-in", "count in", "the count-in"}:
        return 0
    if word in {"whole song", "the whole song", "all"}:
        return EVERY_BAR
    bars = re.fullmatch(r"(?:the )?(?:first )?([0-9]+) bars?", word)
    if not bars:
        raise Mistake(
            f"{numbers.shown(text)} does not say where the click is heard",
            "write count-in, first 8 bars or whole song",
        )
    return numbers.whole(bars[1], 1, CLICK_BARS_MAX)


LEVEL = scalar(mix_level, "-6 dB", "off", number=True)

LEVEL_TABLE = Table(
    "a source in a mix",
    (
        Field("level", LEVEL, "how loud it is, in dB", required=True),
        Field(
            "pan",
            located(scalar(_pan, "left", "30 right", number=True)),
            "which side it is on; centre if not written",
        ),
        Field(
            "only",
            located(scalar(_only, "count-in", "first 8 bars", "whole song")),
            "for the click: where it is heard",
        ),
        Field("mute", YES_NO, "keep the level here, but leave the source out"),
    ),
    {"gain": "write level", "side": "write pan", "bars": "write only: first 8 bars"},
    "How one source is heard in a mix. Short form: the level alone.",
)


def _level(found: Found, _report: Report) -> MixLevel:
    no_node: tuple[Node, int] | None = None
    level_db = SILENT_DB if found.get("mute", False) else found.get("level", 0.0)
    return MixLevel(level_db, found.get("pan", no_node), found.get("only", no_node))


def _short(node: Node, report: Report) -> MixLevel | None:
    level_db = LEVEL.read(node, report)
    return None if level_db is None else MixLevel(level_db)


MIX_LEVEL = either(Kind(_short, LEVEL.schema), LEVEL_TABLE, _level)

MIX_TABLE = Table(
    "a mix",
    (
        Field("outputs", OUTPUTS, "the output, or the pair of outputs: 1-2", required=True),
        Field(
            "levels",
            named(MIX_LEVEL),
            "how loud each source is, in dB, 0 dB the loudest",
            required=True,
        ),
        Field(
            "ceiling",
            scalar(lambda text: numbers.level(text, CEILING_DB_MIN, 0.0), "-6 dB", number=True),
            "nothing on these outputs gets louder than this; -6 dB if not written",
        ),
        Field("mute", YES_NO, "silent until someone opens it; no if not written"),
    ),
    {"output": "write outputs", "level": "write levels", "limit": "write ceiling"},
    "What one listener hears.",
)
