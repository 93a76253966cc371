"""Meters, lengths in bars and beats, count-ins, swing and vamps as musicians write them."""

from __future__ import annotations

import re
from fractions import Fraction

from syncbox.score.meter import DENOMINATORS, NUMERATOR_MAX, Meter
from syncbox.score.reading.notes import note_quarters
from syncbox.score.reading.numbers import decimal, shown, tidy, whole
from syncbox.score.reading.report import Mistake
from syncbox.score.song import CountIn, Span
from syncbox.units import TICKS_PER_QUARTER, Ticks, round_half_up

BARS_MAX = 2000  # of one section
TIMES_MAX = 200
BEATS_MAX = 999

_METER = re.compile(r"([0-9]+) ?/ ?([0-9]+)(?:(?: (?:in|as))?:? ?\(?([0-9]+(?: ?\+ ?[0-9]+)*)\)?)?")
_GROUPED_TOP = re.compile(r"\(?([0-9]+(?: ?\+ ?[0-9]+)+)\)? ?/ ?([0-9]+)")
_METER_HINT = "write for example 4/4, 6/8 or 7/8 in 2+2+3"


def meter(text: str) -> Meter:
    """A meter, with its grouping if written: `4/4`, `7/8 in 2+2+3`, `2+2+3/8`. Raises Mistake."""
    word = tidy(text)
    if word in {"common time", "cut time"}:
        return Meter.of(4, 4) if word == "common time" else Meter.of(2, 2)
    if found := _GROUPED_TOP.fullmatch(word):
        grouping, below = found.groups()
        above = ""
    elif found := _METER.fullmatch(word):
        above, below, grouping = found.groups()
    else:
        raise Mistake(f"{shown(text)} is not a meter", _METER_HINT)
    groups = tuple(int(n[:4]) for n in re.findall("[0-9]+", grouping or ""))
    count = int(above[:4]) if above else sum(groups)
    unit = int(below[:4])
    if unit not in DENOMINATORS:
        raise Mistake(
            f"{shown(text)}: no note value is called 1/{unit}",
            f"the lower number is one of {', '.join(map(str, DENOMINATORS))}",
        )
    if not 1 <= count <= NUMERATOR_MAX:
        raise Mistake(
            f"{shown(text)}: a bar of {count} does not work",
            f"the upper number is 1 to {NUMERATOR_MAX}",
        )
    if groups and (sum(groups) != count or 0 in groups):
        raise Mistake(
            f"{shown(text)}: the groups add up to {sum(groups)}, not {count}",
            f"write groups that add up to {count}",
        )
    return Meter.of(count, unit, groups)


_PART = re.compile(r"([0-9.]+|an?|one)?\s*(.+)")


def _part(text: str) -> Span:
    """One part of a span: `8 bars`, `1.5 beats`, `2 eighths`, `dotted quarter`."""
    found = _PART.fullmatch(text)
    if not found:
        raise Mistake("a part of the length is missing")
    number, unit = found.groups()
    count = Fraction(1) if number in {None, "a", "an", "one"} else decimal(number)
    if count < 0 or count > BEATS_MAX:
        raise Mistake(f"{shown(text)} is out of range")
    if unit in {"bar", "bars"}:
        if count.denominator != 1:
            raise Mistake(
                f"{shown(text)}: bars are whole", "write the rest in beats: 2 bars + 2 beats"
            )
        return Span(bars=int(count))
    if unit in {"beat", "beats"}:
        return Span(beats=count)
    return Span(ticks=Ticks(round_half_up(count * note_quarters(unit) * TICKS_PER_QUARTER)))


def span(text: str) -> Span:
    """A length of music: `8 bars`, `6 beats`, `2 bars + 1 beat`, `3 eighths`, `to the end`."""
    word = tidy(text)
    if word in {"to the end", "to end", "the end"}:
        return Span(to_end=True)
    try:
        parts = [_part(part.strip()) for part in re.split(r"\+|\band\b", word)]
    except Mistake as mistake:
        raise Mistake(
            f"{shown(text)} is not a length of music",
            mistake.hint
            if "bars are whole" in mistake.what
            else "write for example 8 bars, 6 beats, 2 bars + 1 beat, 3 eighths or to the end",
        ) from None
    total = Span(
        bars=sum(part.bars for part in parts),
        beats=sum((part.beats for part in parts), Fraction(0)),
        ticks=Ticks(sum(part.ticks for part in parts)),
    )
    if total == Span():
        raise Mistake(f"{shown(text)} is no length at all", "write for example 4 bars")
    return total


def pickup(text: str) -> Span | None:
    """The music before bar 1: `1 beat`, `eighth`, `3 eighths`; `none` for none."""
    if tidy(text) in {"none", "no"}:
        return None
    try:
        length = span(text)
    except Mistake as mistake:
        raise Mistake(
            f"{shown(text)} is not a pickup", "write for example 1 beat, eighth or 3 eighths"
        ) from mistake
    if length.to_end or length.bars:
        raise Mistake(
            f"{shown(text)}: a pickup is shorter than a bar",
            "write for example 1 beat, or make the bars a section of their own",
        )
    return length


_COUNT_IN = re.compile(r"([0-9]+|one|a) (bars?|beats?)(?: (?:of|in) (.+))?")
COUNT_IN_HINT = "write for example 2 bars, 7 beats, 1 bar of 4/4 or none"


def count_in(text: str) -> CountIn:
    """Clicks before the song: `2 bars`, `7 beats`, `1 bar of 4/4`, `none`."""
    word = tidy(text)
    if word in {"none", "no", "0", "off"}:
        return CountIn()
    found = _COUNT_IN.fullmatch(word)
    if not found:
        bare = "bars or beats? " if word.isdigit() else ""
        raise Mistake(f"{shown(text)} is not a count-in", f"{bare}{COUNT_IN_HINT}")
    number, unit, own = found.groups()
    count = 1 if number in {"one", "a"} else whole(number, 0, 99)
    own_meter = meter(own) if own else None
    return CountIn(count, 0, own_meter) if "bar" in unit else CountIn(0, count, own_meter)


def times(text: str) -> int:
    """How many times a section is played: `2`, `2 times`, `2x`, `twice`."""
    word = tidy(text)
    by_word = {"once": 1, "twice": 2}
    if word in by_word:
        return by_word[word]
    return whole(re.sub(r" ?(?:times?|x)$", "", word), 1, TIMES_MAX)


VAMP_USUAL = 4  # rounds that timeline and render assume when nothing is said


def vamp(text: str) -> int:
    """Usual rounds of a vamp: `yes`, `usually 6 times`, `6`; 0 for `no`."""
    word = tidy(text)
    if word in {"yes", "on", "true"}:
        return VAMP_USUAL
    if word in {"no", "off", "false"}:
        return 0
    try:
        return times(re.sub(r"^usually ", "", word))
    except Mistake as mistake:
        raise Mistake(
            f"{shown(text)} is not a vamp", "write yes, or for example usually 4 times"
        ) from mistake


_RATIO = re.compile(r"([0-9]{1,3}) ?(?::|to) ?([0-9]{1,3})")
_PERCENT = re.compile(r"([0-9]{1,2}(?:\.[0-9]{1,3})?) ?%")


def swing(text: str) -> Fraction:
    """Share of the pair that the first note takes: `2:1` is 2/3, `60 %` is 3/5, `none` is 1/2."""
    word = tidy(text)
    if word in {"none", "no", "straight", "off"}:
        return Fraction(1, 2)
    if found := _RATIO.fullmatch(word):
        long, short = (int(n) for n in found.groups())
        share = Fraction(long, long + short) if long + short else Fraction(0)
    elif found := _PERCENT.fullmatch(word):
        share = Fraction(found.group(1)) / 100
    else:
        raise Mistake(f"{shown(text)} is not a swing", "write for example 2:1, 60 % or none")
    if not Fraction(1, 2) <= share <= Fraction(9, 10):
        raise Mistake(f"{shown(text)} cannot be played", "write long to short, from 1:1 to 9:1")
    return share


def subdivision(text: str) -> Fraction | None:
    """Length in quarters of the clicks between beats: `eighths`, `eighth triplets`; `none`."""
    word = tidy(text)
    if word in {"none", "no", "off"}:
        return None
    by_word = {"triplets": Fraction(1, 3)}
    try:
        value = by_word.get(word) or note_quarters(text)
    except Mistake as mistake:
        raise Mistake(
            f"{shown(text)} does not divide a beat",
            "write for example eighths, sixteenths, eighth triplets or none",
        ) from mistake
    if not Fraction(1, 16) <= value <= 2:
        raise Mistake(f"{shown(text)} is too short or too long", "write for example eighths")
    return value
