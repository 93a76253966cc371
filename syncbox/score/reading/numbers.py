"""Numbers, levels, times and plain words as musicians write them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import TypeVar

from syncbox.score.reading.report import Mistake

_DIGITS_MAX = 9  # more digits than this are a mistake, and never a long computation
_NUMBER = re.compile(r"[+-]?[0-9]{1,9}(?:\.[0-9]{1,9})?|[+-]?\.[0-9]{1,9}")
_YES = frozenset({"yes", "on", "true"})
_NO = frozenset({"no", "off", "false"})

E = TypeVar("E")


def tidy(text: str) -> str:
    """Lower case, single spaces: how all words are compared."""
    return " ".join(text.lower().split())


def shown(text: str) -> str:
    """A user's text for a message, cut if it is long."""
    text = " ".join(text.split())
    return f"'{text if len(text) <= 40 else text[:37] + '...'}'"


def near(word: str, known: Iterable[str]) -> str:
    """The known word that was probably meant, or an empty text."""
    found = difflib.get_close_matches(word[:60], list(known), n=1, cutoff=0.6)
    return found[0] if found else ""


def decimal(text: str) -> Fraction:
    """An exact number: `96`, `96.5`, `-3`, `08`. Raises Mistake."""
    text = text.strip().replace("\N{MINUS SIGN}", "-")
    if not _NUMBER.fullmatch(text):
        hint = "write it in digits, for example 4 or 96.5"
        if re.fullmatch(r"[+-]?[0-9]+,[0-9]+", text):
            hint = f"write it with a point: {text.replace(',', '.')}"
        raise Mistake(f"{shown(text)} is not a number", hint)
    return Fraction(text)


def whole(text: str, low: int, high: int, *, unit: str = "") -> int:
    """A whole number from `low` to `high`, with or without its unit (`4`, `4 bars`)."""
    text = tidy(text)
    bare = re.sub(rf"\s*{unit}s?$", "", text) if unit else text
    if not re.fullmatch(r"[+-]?[0-9]+", bare):
        raise Mistake(f"{shown(text)} is not a whole number", f"write {low} to {high}")
    value = int(bare) if len(bare) <= _DIGITS_MAX else high + 1
    if not low <= value <= high:
        raise Mistake(f"{shown(text)} is out of range", f"write {low} to {high}")
    return value


def yes_no(text: str) -> bool:
    """Yes or no, on or off, true or false."""
    word = tidy(text)
    if word in _YES:
        return True
    if word in _NO:
        return False
    raise Mistake(f"{shown(text)} is neither yes nor no", "write yes or no")


def one_of(text: str, words: Mapping[str, E]) -> E:
    """The member that a word stands for."""
    word = tidy(text)
    if word in words:
        return words[word]
    guess = near(word, words)
    meant = f"did you mean '{guess}'? " if guess else ""
    raise Mistake(f"{shown(text)} is not known here", f"{meant}write {listing(words)}")


def listing(words: Iterable[str]) -> str:
    """`a, b or c`."""
    *most, last = [f"'{word}'" for word in words]
    return f"{', '.join(most)} or {last}" if most else last


def level(text: str, low: float, high: float) -> float:
    """A level in dB: `-6 dB`, `-6`, `0 dB`."""
    bare = re.sub(r"\s*db$", "", tidy(text))
    value = float(decimal(bare))
    if not low <= value <= high:
        raise Mistake(f"{shown(text)} is out of range", f"write {low:g} dB to {high:g} dB")
    return value


# --- times -----------------------------------------------------------------------------------

_CLOCK_TIME = re.compile(r"(?:([0-9]{1,3}):)?([0-9]{1,4}):([0-9]{1,2}(?:\.[0-9]{1,9})?)")
_TIME_PART = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,9})?)\s*([a-z]+)")
_UNIT_SECONDS = {
    "ms": Fraction(1, 1000),
    **dict.fromkeys(("s", "sec", "second", "seconds"), Fraction(1)),
    **dict.fromkeys(("min", "minute", "minutes"), Fraction(60)),
    **dict.fromkeys(("h", "hour", "hours"), Fraction(3600)),
}
_TIME_HINT = "write for example 1:30 (a minute and a half), 90 s, 250 ms or 1 h 15 min"


def seconds(text: str) -> Fraction:
    """A length of time in seconds: `1:30`, `0:01.5`, `1:02:03`, `90 s`, `250 ms`, `1 h 15 min`."""
    word = tidy(text)
    if clock := _CLOCK_TIME.fullmatch(word):
        hours, minutes, rest = clock.groups()
        if Fraction(rest) >= 60 or (hours and int(minutes) >= 60):
            raise Mistake(f"{shown(text)} has more than 59 seconds or minutes", _TIME_HINT)
        return int(hours or 0) * 3600 + int(minutes) * 60 + Fraction(rest)
    parts = _TIME_PART.findall(word)
    left = _TIME_PART.sub("", word).strip()
    if not parts or left or any(unit not in _UNIT_SECONDS for _, unit in parts):
        what = "has no unit" if _NUMBER.fullmatch(word) else "is not a length of time"
        raise Mistake(f"{shown(text)} {what}", _TIME_HINT)
    return sum((Fraction(n) * _UNIT_SECONDS[unit] for n, unit in parts), Fraction(0))


def milliseconds(text: str, low: int, high: int) -> Fraction:
    """A length of time with a sign, in milliseconds: `-3 ms`, `40 ms`, `0.2 s`."""
    word = tidy(text).replace("\N{MINUS SIGN}", "-")
    sign = -1 if word.startswith("-") else 1
    value = sign * seconds(word.lstrip("+-").strip()) * 1000 if word != "0" else Fraction(0)
    if not low <= value <= high:
        raise Mistake(f"{shown(text)} is out of range", f"write {low} ms to {high} ms")
    return value
