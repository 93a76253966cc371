"""Bars with what happens in them: from the tables' values to the records of a section.

The meter is followed from bar to bar here, because the place of an entry (`bar: 9,
beat: 3`) can only be judged against the bars around it. Where bars or meter could not
be read, what depends on them is not judged, so one mistake gives one message.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

from syncbox.score.meter import Meter
from syncbox.score.reading.fields import Found
from syncbox.score.reading.hands import fades_of
from syncbox.score.reading.nodes import Node, Scalar
from syncbox.score.reading.report import Report
from syncbox.score.reading.time_tables import Told, ToldRamp
from syncbox.score.song import (
    At,
    Body,
    Click,
    Happening,
    Hold,
    Item,
    MeterChange,
    PatchChange,
    PlayAudio,
    SpokenCue,
    TextCue,
)

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Here:
    """The meter that holds at a place; None where it could not be read."""

    meter: Meter | None


@dataclass(frozen=True, slots=True)
class _Entry:
    at: At
    found: Found
    passes: frozenset[int] | None


def _happenings(found: Found) -> Iterator[tuple[Node, Happening]]:
    """What one entry says, in the order in which it is done."""
    if meter := _value(found, "meter", Meter):
        yield meter[0], MeterChange(meter[1])
    if told := _value(found, "tempo", Told):
        yield told[0], told[1].what
    if ramp := _value(found, "ramp", ToldRamp):
        yield ramp[0], ramp[1].ramp
    if click := _value(found, "click", Click):
        yield click
    patches: Mapping[str, tuple[Scalar, tuple[Node, str]]] = found.get("patches", {})
    for instrument, (_, (node, patch)) in patches.items():
        yield node, PatchChange(instrument, patch)
    sends: list[tuple[Node, Happening]] = found.get("send", [])
    yield from sends
    sounds: list[tuple[Node, PlayAudio]] = found.get("play", [])
    yield from sounds
    yield from fades_of(found)
    if text := _value(found, "text", str):
        yield text[0], TextCue(text[1])
    if cue := _value(found, "say", SpokenCue):
        yield cue
    if hold := _value(found, "hold", Hold):
        yield hold


def _value(found: Found, key: str, _kind: type[T]) -> tuple[Node, T] | None:
    empty: tuple[Node, T] | None = None
    return found.get(key, empty)


# --- places ------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Bars:
    """The bars of one body, as far as they could be read."""

    count: int | None
    meters: dict[int, Meter | None]  # bar -> the meter that begins there; bar 1 is always in it

    def meter_at(self, bar: int) -> Meter | None:
        return self.meters[max(first for first in self.meters if first <= bar)]


def _entry(found: Found, bars: _Bars, passes: int, report: Report) -> _Entry:
    """Where one entry under `during` stands, judged against the bars there."""
    bar: int = found.get("bar", 0)
    beat: Fraction = found.get("beat", Fraction(1))
    if bar and bars.count is not None and bar > bars.count:
        report.error(
            found.at("bar"),
            f"there is no bar {bar} here; {_count(bars.count, 'bar')} long",
            f"write bar 1 to {bars.count}",
        )
        bar = 0
    only: list[int] | None = found.get("only", None)
    if only is not None and any(number > passes for number in only):
        report.error(
            found.at("only"),
            f"this is played {_times(passes)}, so nothing happens on pass {max(only)}",
            f"write 1 to {passes}" if passes > 1 else "take 'only' out, or say how many times",
        )
    if only is not None and found.has("meter"):
        report.error(
            found.at("only"), "a meter cannot change on one pass only", "use endings for this"
        )
    return _Entry(At(bar, beat), found, frozenset(only) if only else None)


def _follow_meters(entries: list[_Entry], bars: _Bars, report: Report) -> None:
    """Note every change of meter inside the body."""
    for entry in entries:
        if not entry.at.bar or not entry.found.has("meter"):
            continue
        meter = _value(entry.found, "meter", Meter)
        bars.meters[entry.at.bar] = meter[1] if meter else None
        if meter:
            warn_if_ungrouped(*meter, report)
        if entry.at.beat != 1:
            report.error(
                entry.found.at("meter"),
                "a meter begins at a bar line, not inside a bar",
                f"take 'beat' out, or write it at bar {entry.at.bar + 1}",
            )


def _judge_beat(entry: _Entry, bars: _Bars, report: Report) -> bool:
    meter = bars.meter_at(entry.at.bar)
    if meter is None or entry.at.beat < meter.beat_count + 1:
        return True
    report.error(
        entry.found.at("beat"),
        f"bar {entry.at.bar} is in {meter} and has {_plural(meter.beat_count, 'beat')}, "
        f"no beat {float(entry.at.beat):g}",
        f"write beat 1 to {meter.beat_count}",
    )
    return False


def _plural(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _count(count: int, word: str) -> str:
    return f"it is {_plural(count, word)}"


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


# --- bare tempi ----------------------------------------------------------------------------------

_UNITS = {1: "whole", 2: "half", 4: "quarter", 8: "eighth", 16: "sixteenth", 32: "thirty-second"}


def warn_if_bare(
    node: Node, number_qpm: Fraction | None, meter: Meter | None, report: Report
) -> None:
    """A number without a note counts quarters; say so where the meter counts something else.

    `number_qpm` is that number, None for a tempo that names its note.
    """
    if number_qpm is None or meter is None or meter.denominator == 4:
        return
    unit = _UNITS.get(meter.denominator, "eighth")
    if meter.groups == (3,) * (meter.numerator // 3) and meter.numerator > 3:
        unit = f"dotted {_UNITS.get(meter.denominator // 2, 'quarter')}"
    number = f"{float(number_qpm):g}"
    report.warn(
        node,
        f"a tempo without a note counts quarters, but the meter here is {meter}",
        f"write '{unit} = {number}', or 'quarter = {number}' if that is meant",
    )


def warn_if_ungrouped(node: Node, meter: Meter, report: Report) -> None:
    """Five or seven eighths are felt in twos and threes; without groups every eighth is a beat."""
    if meter.denominator < 8 or meter.numerator < 5 or set(meter.groups) != {1}:
        return
    threes, twos = (meter.numerator % 2, (meter.numerator - 3) // 2)
    groups = (
        "+".join(["2"] * twos + ["3"] * threes)
        if threes
        else "+".join(["3", "3"] + ["2"] * ((meter.numerator - 6) // 2))
    )
    report.warn(
        node,
        f"{meter} does not say how it is felt, so every note is a beat",
        f"write for example {meter.numerator}/{meter.denominator} in {groups}",
    )


# --- bodies ------------------------------------------------------------------------------------


def build_body(found: Found, here: Here, passes: int, report: Report) -> tuple[Body, Here]:
    """The bars of a section or an ending with what happens in them, and the meter at their end.

    `passes` is how many times it is played, for judging `only`.
    """
    count: int | None = found.get("bars", None)
    bars = _Bars(count, {1: here.meter})
    top = _Entry(At(), found, None)
    during: list[Found] = found.get("during", [])
    entries = [top, *(_entry(each, bars, passes, report) for each in during)]
    _follow_meters(entries, bars, report)
    items: list[Item] = []
    for entry in entries:
        if not entry.at.bar or not _judge_beat(entry, bars, report):
            continue
        meter = bars.meter_at(entry.at.bar)
        _warn_bare_tempi(entry.found, meter, report)
        items.extend(
            Item(entry.at, what, entry.passes, report.place(node))
            for node, what in _happenings(entry.found)
        )
    return Body(count or 1, tuple(items)), Here(bars.meters[max(bars.meters)])


def _warn_bare_tempi(found: Found, meter: Meter | None, report: Report) -> None:
    if told := _value(found, "tempo", Told):
        warn_if_bare(told[0], told[1].bare_qpm, meter, report)
    if ramp := _value(found, "ramp", ToldRamp):
        warn_if_bare(ramp[0], ramp[1].bare_qpm, meter, report)
