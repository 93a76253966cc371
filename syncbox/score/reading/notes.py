"""Note values, tempo and metric modulation as musicians write them."""

from __future__ import annotations

import re
import unicodedata
from fractions import Fraction

from syncbox.score.reading.numbers import decimal, shown, tidy
from syncbox.score.reading.report import Mistake
from syncbox.score.song import Modulation
from syncbox.units import TEMPO_QPM_MAX, TEMPO_QPM_MIN

# Length in quarters of every name that English has for a note: American, then British.
NOTE_QUARTERS = {
    "whole": Fraction(4),
    "half": Fraction(2),
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    "sixteenth": Fraction(1, 4),
    "thirty-second": Fraction(1, 8),
    "sixty-fourth": Fraction(1, 16),
    "semibreve": Fraction(4),
    "minim": Fraction(2),
    "crotchet": Fraction(1),
    "quaver": Fraction(1, 2),
    "semiquaver": Fraction(1, 4),
    "demisemiquaver": Fraction(1, 8),
    "hemidemisemiquaver": Fraction(1, 16),
}
_OTHER_NAMES = {
    "8th": "eighth",
    "16th": "sixteenth",
    "32nd": "thirty-second",
    "64th": "sixty-fourth",
    "thirty second": "thirty-second",
    "sixty fourth": "sixty-fourth",
    "thirtysecond": "thirty-second",
    "sixtyfourth": "sixty-fourth",
    "1/1": "whole",
    "1/2": "half",
    "1/4": "quarter",
    "1/8": "eighth",
    "1/16": "sixteenth",
    "1/32": "thirty-second",
    "1/64": "sixty-fourth",
}
# Unicode's Musical Symbols, after canonical decomposition (note heads with stems and flags).
_SIGNS = {
    "\N{QUARTER NOTE}": "quarter",
    "\N{EIGHTH NOTE}": "eighth",
    "\N{MUSICAL SYMBOL WHOLE NOTE}": "whole",
    "\N{MUSICAL SYMBOL HALF NOTE}": "half",
    "\N{MUSICAL SYMBOL QUARTER NOTE}": "quarter",
    "\N{MUSICAL SYMBOL EIGHTH NOTE}": "eighth",
    "\N{MUSICAL SYMBOL SIXTEENTH NOTE}": "sixteenth",
    "\N{MUSICAL SYMBOL THIRTY-SECOND NOTE}": "thirty-second",
}
# The longest first: a sixteenth is a quarter's head and stem with two flags more.
_SIGN_OF_FORM = dict(
    sorted(
        ((unicodedata.normalize("NFD", sign), name) for sign, name in _SIGNS.items()),
        key=lambda form: -len(form[0]),
    )
)
_DOT = "\N{MUSICAL SYMBOL COMBINING AUGMENTATION DOT}"
_DOTTED = {0: Fraction(1), 1: Fraction(3, 2), 2: Fraction(7, 4)}
# A tuplet squeezes n notes into the time of the power of two below n.
_TUPLETS = {
    "triplet": Fraction(2, 3),
    "quintuplet": Fraction(4, 5),
    "sextuplet": Fraction(4, 6),
    "septuplet": Fraction(4, 7),
}
NOTE_HINT = "write a note value, for example quarter, dotted eighth, half, eighth triplet or ♩."


def note_quarters(text: str) -> Fraction:
    """Length in quarters of a note value: `dotted quarter`, `16th-quintuplet`, `minim`, `♪.`.

    Raises Mistake.
    """
    value = _note_quarters(text)
    if value is None:
        raise Mistake(f"{shown(text)} is not a note value", NOTE_HINT)
    return value


def _note_quarters(text: str) -> Fraction | None:
    word = tidy(unicodedata.normalize("NFD", text).replace(_DOT, "."))
    for form, name in _SIGN_OF_FORM.items():
        if word.startswith(form):
            word = name + word.removeprefix(form)
            break
    dots = len(word) - len(word.rstrip("."))
    word = re.sub(r"(?<!thirty)(?<!sixty)-", " ", word.rstrip(".")).strip()
    word = re.sub(r"\bnotes?\b", " ", word)
    factor = Fraction(1)
    for tuplet, share in _TUPLETS.items():
        word, count = re.subn(rf"\b{tuplet}s?\b", " ", word)
        factor *= share**count
    for phrase, count in (("double dotted", 2), ("dotted", 1)):
        word, found = re.subn(rf"\b{phrase}\b", " ", word)
        dots += found * count
    word = " ".join(word.split())
    word = _OTHER_NAMES.get(word, _OTHER_NAMES.get(word.rstrip("s"), word))
    length = NOTE_QUARTERS.get(word)
    if length is None and word.endswith("s"):
        length = NOTE_QUARTERS.get("half" if word == "halves" else word[:-1])
    if length is None or dots not in _DOTTED or factor < Fraction(4, 7):
        return None
    return length * _DOTTED[dots] * factor


TEMPO_HINT = "write for example 'quarter = 96', 'dotted quarter = 80' or 96 (quarters a minute)"


def is_bare(text: str) -> bool:
    """Whether a tempo does not say which note it counts."""
    return "=" not in text


def tempo_qpm(text: str) -> Fraction:
    """Quarters a minute: `quarter = 96`, `half = 54`, `♩. = 80`, `96`, `96 bpm`. Raises Mistake."""
    unit, equals, number = text.rpartition("=")
    per_note = note_quarters(unit) if equals else Fraction(1)
    bare = re.sub(r"\s*bpm$", "", tidy(number))
    try:
        value = decimal(bare) * per_note
    except Mistake as mistake:
        hint = mistake.hint if "point" in mistake.hint or "=" in text else TEMPO_HINT
        raise Mistake(f"{shown(text)} is not a tempo", hint) from None
    if not TEMPO_QPM_MIN <= value <= TEMPO_QPM_MAX:
        counted = f" ({float(value):g} quarters a minute)" if per_note != 1 else ""
        raise Mistake(
            f"{shown(text)}{counted} is not a tempo that can be played",
            f"write {TEMPO_QPM_MIN} to {TEMPO_QPM_MAX} quarters a minute",
        )
    return value


def modulation(text: str) -> Modulation | None:
    """A metric modulation `old = new` (`dotted eighth = quarter`), or None if it is not one."""
    old, equals, new = text.partition("=")
    if not equals or _note_quarters(new) is None:
        return None
    return Modulation(note_quarters(old), note_quarters(new))
