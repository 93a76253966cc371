"""What a file may say about time: tempo, ramps, clicks and the count-in."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from syncbox.score.reading import lengths, notes, numbers
from syncbox.score.reading.fields import (
    Field,
    Found,
    Kind,
    Table,
    either,
    listed,
    located,
    scalar,
)
from syncbox.score.reading.nodes import Node, Scalar
from syncbox.score.reading.report import Mistake, Report
from syncbox.score.song import (
    Click,
    ClickBeats,
    CountIn,
    Modulation,
    Ramp,
    RampShape,
    Span,
    TempoStep,
)

# --- tempo -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Told:
    """A tempo as written, with what is needed to judge it: does it name the note it counts?"""

    what: TempoStep | Modulation
    bare_qpm: Fraction | None = None  # the number, if no note stands before it


def _told(text: str) -> Told:
    change = notes.modulation(text)
    if change is not None:
        return Told(change)
    tempo_qpm = notes.tempo_qpm(text)
    return Told(TempoStep(tempo_qpm), tempo_qpm if notes.is_bare(text) else None)


def _steady(text: str) -> Told:
    told = _told(text)
    if isinstance(told.what, Modulation):
        raise Mistake(f"{numbers.shown(text)} needs a number on its right", notes.TEMPO_HINT)
    return told


def _tempo_kind(parse: Kind[Told]) -> Kind[tuple[Node, Told]]:
    return located(parse)


TEMPO_AT_START = _tempo_kind(
    scalar(_steady, "quarter = 96", "dotted quarter = 80", "♩ = 96", "96", number=True)
)
TEMPO = _tempo_kind(
    scalar(_told, "quarter = 96", "dotted eighth = quarter", "half = 54", number=True)
)

SHAPES = {shape.value: shape for shape in RampShape}


@dataclass(frozen=True, slots=True)
class ToldRamp:
    """A ramp, and whether its tempo says which note it counts."""

    ramp: Ramp
    bare_qpm: Fraction | None


_RAMP = re.compile(
    r"(?:to )?(?P<to>.+?) (?:over (?P<over>.+?)|(?P<end>to the end))(?: (?P<shape>by [a-z]+))?"
)


def _ramp_text(text: str) -> ToldRamp:
    found = _RAMP.fullmatch(numbers.tidy(text))
    if not found:
        raise Mistake(
            f"{numbers.shown(text)} is not a ramp",
            "write for example: to quarter = 120 over 8 bars",
        )
    told = _steady(found["to"])
    assert isinstance(told.what, TempoStep)
    over = Span(to_end=True) if found["end"] else lengths.span(found["over"])
    shape = numbers.one_of(found["shape"], SHAPES) if found["shape"] else RampShape.BY_BEAT
    return ToldRamp(Ramp(told.what.tempo_qpm, over, shape), told.bare_qpm)


RAMP_TABLE = Table(
    "a ramp",
    (
        Field("to", TEMPO_AT_START, "the tempo at its end", required=True),
        Field(
            "over",
            scalar(lengths.span, "8 bars", "6 beats", "2 bars + 1 beat", "to the end"),
            "how long it takes: 8 bars, 6 beats, to the end",
            required=True,
        ),
        Field(
            "shape",
            scalar(lambda text: numbers.one_of(text, SHAPES), choices=SHAPES),
            "how it moves: by beat (usual), by time, by period",
        ),
    ),
    {
        "bars": "write over: 4 bars",
        "from": "a ramp begins at the tempo before it; write that as tempo",
    },
    "A tempo that moves. Short form: `to quarter = 120 over 8 bars`.",
)


def _ramp(found: Found, _report: Report) -> ToldRamp | None:
    to: tuple[Node, Told] | None = found.get("to", None)
    over: Span | None = found.get("over", None)
    if to is None or over is None or not isinstance(to[1].what, TempoStep):
        return None
    shape = found.get("shape", RampShape.BY_BEAT)
    return ToldRamp(Ramp(to[1].what.tempo_qpm, over, shape), to[1].bare_qpm)


RAMP = located(either(scalar(_ramp_text, "to 120 over 8 bars"), RAMP_TABLE, _ramp))

# --- click -----------------------------------------------------------------------------------

CLICK_WORDS = {
    "off": ClickBeats.OFF,
    "beats": ClickBeats.BEATS,
    "half time": ClickBeats.HALF_TIME,
    "double time": ClickBeats.DOUBLE_TIME,
    "downbeats": ClickBeats.DOWNBEATS,
}
_CLICK_TOO = {
    "no": ClickBeats.OFF,
    "none": ClickBeats.OFF,
    "on": ClickBeats.BEATS,
    "yes": ClickBeats.BEATS,
    "half-time": ClickBeats.HALF_TIME,
    "double-time": ClickBeats.DOUBLE_TIME,
}


def _click_beats(text: str) -> Click:
    word = numbers.tidy(text)
    if re.fullmatch(r"[0-9]+(?:(?: ?, ?| and | )[0-9]+)*", word):
        beats = {numbers.whole(n, 1, 64) for n in re.findall("[0-9]+", word)}
        return Click(ClickBeats.CHOSEN, tuple(sorted(beats)))
    return Click(_CLICK_TOO.get(word) or numbers.one_of(text, CLICK_WORDS))


def _merge_clicks(node: Node, report: Report) -> Click | None:
    """`[2, 4]`: each entry a beat."""
    found = listed(scalar(lambda text: numbers.whole(text, 1, 64), "2")).read(node, report)
    return Click(ClickBeats.CHOSEN, tuple(sorted(set(found)))) if found else None


_CLICK_TEXT = scalar(_click_beats, "beats", "half time", "2 and 4", number=True)


def _read_beats(node: Node, report: Report) -> Click | None:
    read = _CLICK_TEXT.read if isinstance(node, Scalar) else _merge_clicks
    return read(node, report)


BEATS = Kind(
    _read_beats,
    {
        "anyOf": [
            {"enum": list(CLICK_WORDS)},
            {"type": ["string", "integer"]},
            {"type": "array", "items": {"type": "integer", "minimum": 1}},
        ]
    },
)

CLICK_TABLE = Table(
    "a click",
    (
        Field(
            "beats", BEATS, "which beats: off, beats, half time, double time, downbeats or [2, 4]"
        ),
        Field(
            "divide",
            scalar(lambda text: (lengths.subdivision(text),), "eighths", "eighth triplets", "none"),
            "what sounds between the beats: eighths, sixteenths, eighth triplets, none",
        ),
        Field(
            "swing",
            scalar(lengths.swing, "2:1", "60 %", "none"),
            "long to short of each pair of divisions: 2:1, 3:2, 60 %",
        ),
    ),
    {"subdivide": "write divide", "subdivision": "write divide", "on": "write beats"},
    "What the click plays. Short form: the beats alone.",
)


def _click(found: Found, report: Report) -> Click | None:
    base: Click = found.get("beats", Click())
    default = Fraction(1, 2) if found.has("swing") and not found.has("divide") else None
    (divide,) = found.get("divide", (default,))
    share: Fraction = found.get("swing", Fraction(1, 2))
    if share != Fraction(1, 2) and divide is None:
        report.error(found.at("swing"), "a swing needs a division to move", "add divide: eighths")
    return Click(base.beats, base.chosen, divide, share)


CLICK = located(either(BEATS, CLICK_TABLE, _click))

# --- count-in, pickup --------------------------------------------------------------------------

COUNT_IN_TABLE = Table(
    "a count-in",
    (
        Field(
            "bars",
            scalar(lambda text: numbers.whole(text, 0, 99, unit="bar"), "2", number=True),
            "whole bars",
        ),
        Field(
            "beats",
            scalar(lambda text: numbers.whole(text, 0, 999, unit="beat"), "7", number=True),
            "single beats",
        ),
        Field("meter", scalar(lengths.meter, "4/4"), "its own meter, if not the song's"),
    ),
    doc="Clicks before the song. Short form: `2 bars`, `7 beats`, `1 bar of 4/4`, `none`.",
)


def _count_in(found: Found, report: Report) -> CountIn | None:
    bars, beats = found.get("bars", 0), found.get("beats", 0)
    if found.has("bars") == found.has("beats"):
        report.error(found.node, "a count-in is so many bars or so many beats", "write one of them")
        return None
    return CountIn(bars, beats, found.get("meter", None))


COUNT_IN = either(
    scalar(lengths.count_in, "2 bars", "7 beats", "1 bar of 4/4", "none"), COUNT_IN_TABLE, _count_in
)
