"""What a rig may say about pedals and pads, and any file about zones of a keyboard."""

from __future__ import annotations

import re
from collections.abc import Callable
from fractions import Fraction

from syncbox.score.controls import ControllerRoute, Sign, SignKind, Touch
from syncbox.score.reading import numbers
from syncbox.score.reading.fields import (
    Field,
    Kind,
    Table,
    listed,
    located,
    name,
    named,
    scalar,
    table_of,
)
from syncbox.score.reading.report import Mistake

HOLD_MS_MAX, DEBOUNCE_MS_MAX, APART_MS_MAX = 10_000, 500, 10_000
TRANSPOSE_MAX = 60
NOTHING = ("nothing", "none")

COMMANDS = (
    "start",
    "stop",
    "stop at bar",
    "cue",
    "next song",
    "previous song",
    "jump at bar",
    "jump at end",
    "repeat section",
    "panic",
    "mute click",
    "faster",
    "slower",
    "louder",
    "softer",
    "mute mix",
    "solo mix",
    "mix louder",
    "mix softer",
    "sticks",
    "tap tempo",
    "take over",
)
JUMPS = ("jump at bar", "jump at end")
OF_A_MIX = ("mute mix", "solo mix", "mix louder", "mix softer")

YES_NO: Kind[bool] = Kind(
    scalar(numbers.yes_no, "yes").read, {"enum": ["yes", "no", "on", "off", True, False]}
)


def milliseconds(low: int, high: int, *examples: str) -> Kind[Fraction]:
    """A length of time in milliseconds between two limits."""
    return scalar(lambda text: numbers.milliseconds(text, low, high), *examples)


# --- keys of a keyboard ------------------------------------------------------------------------

_STEPS = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}
_NOTE = re.compile(r"([a-g])(#|♯|b|♭)?(-?[0-9])")
_KEY_HINT = "write a key such as C4 (middle C) or F#2, or its number 0 to 127"


def note_number(text: str) -> int:
    """A key by name or number: `C4` is 60, middle C; `Bb3`, `F#2`, `36`. Raises Mistake."""
    word = numbers.tidy(text)
    if re.fullmatch(r"[0-9]+", word):
        return numbers.whole(word, 0, 127)
    found = _NOTE.fullmatch(word)
    if not found:
        raise Mistake(f"{numbers.shown(text)} is not a key", _KEY_HINT)
    step, sign, octave = found.groups()
    raised = 0 if sign is None else 1 if sign in "#♯" else -1
    number = _STEPS[step] + raised + 12 * (int(octave) + 1)
    if not 0 <= number <= 127:
        raise Mistake(f"{numbers.shown(text)} is no key that MIDI has", "write C-1 to G9")
    return number


def _span(text: str, read: Callable[[str], int], low: int, high: int) -> tuple[int, int]:
    """`A to B`, `from A`, `up to B` or one value alone."""
    word = numbers.tidy(text)
    if word == "all":
        return low, high
    if found := re.fullmatch(r"(?:up )?to (.+)", word):
        first, last = low, read(found[1])
    elif found := re.fullmatch(r"(?:from )?(.+?) (?:up )?to (.+)", word):
        first, last = read(found[1]), read(found[2])
    elif word.startswith("from "):
        first, last = read(word.removeprefix("from ")), high
    else:
        first = last = read(word)
    if first > last:
        raise Mistake(f"{numbers.shown(text)} runs backwards", "write the lower one first")
    return first, last


def keys(text: str) -> tuple[int, int]:
    """A run of keys: `C2 to B3`, `from C4`, `up to B3`, `all`. Raises Mistake."""
    return _span(text, note_number, 0, 127)


def velocities(text: str) -> tuple[int, int]:
    """A run of velocities, 1 to 127: `1 to 90`, `from 91`. Raises Mistake."""
    return _span(text, lambda part: numbers.whole(part, 1, 127), 1, 127)


# --- pedals, pads and keys that give commands --------------------------------------------------

_SIGN = re.compile(
    r"(?P<kind>notes?|keys?|controller|program) (?P<what>.+?)"
    r"(?: (?:on )?channel (?P<channel>[0-9]+))?"
)
_SIGN_HINT = "write for example controller 64, note 36 channel 10, keys C1 to B1, or program 5"


def sign(text: str) -> Sign:
    """The message of a press: `controller 64`, `note 36 channel 10`, `keys C1 to B1`."""
    found = _SIGN.fullmatch(numbers.tidy(text))
    if not found:
        raise Mistake(f"{numbers.shown(text)} is not a message", _SIGN_HINT)
    channel = numbers.whole(found["channel"], 1, 16) if found["channel"] else 0
    if found["kind"] == "controller":
        number = numbers.whole(found["what"], 0, 127)
        return Sign(SignKind.CONTROLLER, number, number, channel)
    if found["kind"] == "program":
        number = numbers.whole(found["what"], 1, 128) - 1
        return Sign(SignKind.PROGRAM, number, number, channel)
    return Sign(SignKind.NOTE, *keys(found["what"]), channel)


def sign_text(wanted: Sign) -> str:
    """The same in words that `sign` reads again."""
    number = wanted.low + (wanted.kind is SignKind.PROGRAM)
    what = f"{wanted.kind.value} {number}"
    if wanted.high != wanted.low:
        what = f"keys {wanted.low} to {wanted.high}"
    return f"{what} channel {wanted.channel}" if wanted.channel else what


CONTROL_TABLE = Table(
    "a control",
    (
        Field(
            "does",
            located(
                scalar(
                    lambda text: numbers.one_of(text, {word: word for word in COMMANDS}),
                    choices=COMMANDS,
                )
            ),
            "what it does",
            required=True,
        ),
        Field("port", located(scalar(name, "pedals")), "the input it comes from", required=True),
        Field(
            "message",
            located(scalar(sign, "controller 64", "note 36 channel 10", "keys C1 to B1")),
            "the message that it sends",
            required=True,
        ),
        Field("section", located(scalar(name, "Chorus")), "for a jump: where it goes"),
        Field("mix", located(scalar(name, "drummer")), "for a command about a mix: which one"),
        Field(
            "hold",
            located(milliseconds(100, HOLD_MS_MAX, "600 ms")),
            "only a press of this length counts",
        ),
        Field(
            "debounce",
            milliseconds(0, DEBOUNCE_MS_MAX, "30 ms"),
            "changes within this time are one; 30 ms if not written",
        ),
        Field(
            "apart",
            milliseconds(0, APART_MS_MAX, "700 ms"),
            "a second press within this time does not count",
        ),
        Field("reversed", YES_NO, "it sends 0 when pressed; no if not written"),
        Field("latching", YES_NO, "it sends 127 and 0 in turn, one for each press"),
    ),
    {
        "action": "write does",
        "when": "write message",
        "input": "write port",
        "long": "write hold: 600 ms",
        "polarity": "write reversed: yes",
    },
    "A footswitch, pad, key or controller that gives a command.",
)

# --- zones --------------------------------------------------------------------------------------

PEDALS = {"sustain": 64, "portamento": 65, "sostenuto": 66, "soft": 67, "legato": 68, "hold 2": 69}
OTHERS = "others"  # every controller that is not named
CONTROLLER_MAX = 119  # above are messages for the whole channel


def _transpose(text: str) -> int:
    word = numbers.tidy(text).replace("\N{MINUS SIGN}", "-")
    if octaves := re.fullmatch(r"([+-]?[0-9]+) octaves?", word):
        return 12 * numbers.whole(octaves[1], -TRANSPOSE_MAX // 12, TRANSPOSE_MAX // 12)
    bare = re.sub(r" ?(?:semi|half )(?:tone|step)s?$", "", word)
    return numbers.whole(bare, -TRANSPOSE_MAX, TRANSPOSE_MAX)


def _touch(text: str) -> tuple[Touch, int]:
    word = numbers.tidy(text)
    if found := re.fullmatch(r"fixed (?:at )?([0-9]+)", word):
        return Touch.FIXED, numbers.whole(found[1], 1, 127)
    words = {touch.value: touch for touch in Touch if touch is not Touch.FIXED}
    if word not in words:
        raise Mistake(
            f"{numbers.shown(text)} is not a touch", "write plain, light, heavy or fixed 100"
        )
    return words[word], 0


def _pedals(text: str) -> frozenset[int]:
    word = numbers.tidy(text)
    if word in {"yes", "all", "on"}:
        return frozenset(PEDALS.values())
    if word in {"no", "none", "off"}:
        return frozenset()
    parts = [part.strip() for part in re.split(r",| and ", word)]
    return frozenset(numbers.one_of(part, PEDALS) for part in parts)


def _route(text: str) -> ControllerRoute | bool:
    """What becomes of a controller; yes and no for a word that means all or nothing."""
    word = numbers.tidy(text)
    if word in {"on", "yes", "off", "no", "none"}:
        return word in {"on", "yes"}
    found = re.fullmatch(r"([0-9]+)(?: from ([0-9]+) to ([0-9]+))?", word)
    if not found:
        raise Mistake(
            f"{numbers.shown(text)} does not say what becomes of a controller",
            "write off, its new number such as 11, or 11 from 20 to 110",
        )
    low, high = (numbers.whole(part, 0, 127) for part in (found[2] or "0", found[3] or "127"))
    return ControllerRoute(numbers.whole(found[1], 1, CONTROLLER_MAX), low, high)


ROUTE = scalar(_route, "11", "11 from 20 to 110", "off", number=True)

TOUCH = scalar(_touch, "plain", "light", "heavy", "fixed 100")

ZONE_TABLE = Table(
    "a zone",
    (
        Field("from", located(scalar(name, "upper-keys")), "the keyboard", required=True),
        Field(
            "play",
            located(scalar(name, "organ", "nothing")),
            "the instrument that its keys play, or nothing",
            required=True,
        ),
        Field(
            "channel",
            scalar(lambda text: numbers.whole(text, 1, 16), "1", number=True),
            "only what the keyboard sends on this channel; any if not written",
        ),
        Field(
            "keys",
            scalar(keys, "C2 to B3", "from C4", number=True),
            "which keys; all if not written",
        ),
        Field("transpose", scalar(_transpose, "+12", "-1 octave", number=True), "in semitones"),
        Field(
            "velocity", scalar(velocities, "1 to 90", "from 91", number=True), "which strokes sound"
        ),
        Field(
            "touch",
            TOUCH,
            "plain, light, heavy or fixed",
        ),
        Field(
            "sent-velocity",
            scalar(velocities, "30 to 110", number=True),
            "what the strokes are sent as",
        ),
        Field("pedals", scalar(_pedals, "yes", "no", "sustain, soft"), "which pedals get through"),
        Field("controllers", named(located(ROUTE)), "what becomes of single controllers"),
        Field("bend", YES_NO, "whether the bend wheel gets through; yes if not written"),
        Field("pressure", YES_NO, "whether key pressure gets through; yes if not written"),
    ),
    {
        "input": "write from",
        "keyboard": "write from",
        "instrument": "write play",
        "to": "write play",
        "range": "write keys",
        "octave": "write transpose: 1 octave",
        "sustain": "write pedals: sustain",
        "curve": "write touch",
    },
    "A part of a keyboard and the instrument that it plays.",
)
ZONES = listed(table_of(ZONE_TABLE))
