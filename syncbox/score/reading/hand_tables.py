"""What a file may say about pads under the hand, filters under the foot, and fades."""

from __future__ import annotations

import re

from syncbox.score.hands import Curve, PadStart, Setting
from syncbox.score.reading import lengths, numbers
from syncbox.score.reading.control_tables import TOUCH, sign
from syncbox.score.reading.fields import (
    Field,
    Found,
    Kind,
    Table,
    either,
    located,
    name,
    named,
    scalar,
    table_of,
)
from syncbox.score.reading.mix_tables import mix_level
from syncbox.score.reading.nodes import Node
from syncbox.score.reading.report import Mistake, Report
from syncbox.score.reading.sound_tables import FILE, GAIN
from syncbox.score.song import Span

CUTOFF_HZ_MIN, CUTOFF_HZ_MAX = 20.0, 20_000.0

PORT = located(scalar(name, "pads"))
MESSAGE = located(scalar(sign, "note 36 channel 10", "controller 11"))

# --- pads ----------------------------------------------------------------------------------------

_STARTS = {start.value: start for start in PadStart}

PAD_TABLE = Table(
    "a pad",
    (
        Field("play", FILE, "the sound file", required=True),
        Field("as", scalar(name, "hits"), "its fader's name in the listener mixes"),
        Field("port", PORT, "the input that the stroke comes from"),
        Field("message", MESSAGE, "the message of the stroke"),
        Field("gain", GAIN, "louder or softer than the file, in dB"),
        Field("choke", scalar(name, "cymbals"), "pads of one choke group end each other"),
        Field("touch", TOUCH, "plain, light, heavy or fixed"),
        Field(
            "start",
            scalar(lambda text: numbers.one_of(text, _STARTS), choices=_STARTS),
            "now, next beat or next bar",
        ),
    ),
    {
        "file": "write play",
        "one-shot": "write play",
        "sample": "write play",
        "group": "write choke",
        "quantise": "write start: next beat",
        "quantize": "write start: next beat",
        "input": "write port",
        "note": "write message: note 36 channel 10",
    },
    "A sound under a pad or key.",
)

PADS = named(table_of(PAD_TABLE))

# --- filters -------------------------------------------------------------------------------------

_CURVES = {curve.value: curve for curve in Curve}


def _hertz(text: str) -> float:
    found = re.fullmatch(r"(.+?) ?(k?)hz", numbers.tidy(text))
    if not found:
        raise Mistake(f"{numbers.shown(text)} is not a frequency", "write 800 Hz or 1.2 kHz")
    value = float(numbers.decimal(found[1])) * (1000 if found[2] else 1)
    if not CUTOFF_HZ_MIN <= value <= CUTOFF_HZ_MAX:
        raise Mistake(f"{numbers.shown(text)} is out of range", "write 20 Hz to 20 kHz")
    return value


def _percent(text: str) -> float:
    word = numbers.tidy(text)
    if word in {"no", "none", "off"}:
        return 0.0
    return numbers.whole(re.sub(r" ?%$", "", word), 0, 100) / 100


MOVE_TABLE = Table(
    "a move",
    (
        Field("port", PORT, "the input that the pedal is on", required=True),
        Field("message", MESSAGE, "the controller that it sends", required=True),
        Field("from", located(scalar(name, "200 Hz")), "the setting at 0", required=True),
        Field("to", located(scalar(name, "12 kHz")), "the setting at 127", required=True),
        Field(
            "curve",
            scalar(lambda text: numbers.one_of(text, _CURVES), choices=_CURVES),
            "even, late (little happens at first) or early; even if not written",
        ),
    ),
    {"controller": "write message: controller 11", "min": "write from", "max": "write to"},
    "A setting that a pedal moves. Short form: the setting alone, where nothing moves it.",
)


def _setting(parse: object, example: str, *, rests_low: bool) -> Kind[Setting]:
    """A setting that is fixed, or moved by a pedal between two ends that `parse` reads."""
    assert callable(parse)

    def end(written: tuple[Node, str] | None, report: Report) -> float | None:
        if written is None:
            return None
        try:
            return float(parse(written[1]))
        except Mistake as mistake:
            report.error(written[0], mistake.what, mistake.hint)
            return None

    def fixed(text: str) -> Setting:
        value = float(parse(text))
        return Setting(value, value, value)

    def moved(found: Found, report: Report) -> Setting | None:
        no_text: tuple[Node, str] | None = None
        low, high = end(found.get("from", no_text), report), end(found.get("to", no_text), report)
        port, message = found.get("port", no_text), found.get("message", None)
        if low is None or high is None or port is None or message is None:
            return None
        if message[1].kind.value != "controller":
            report.error(message[0], "only a controller moves a setting", "write controller 11")
        rest = min(low, high) if rests_low else max(low, high)
        curve: Curve = found.get("curve", Curve.EVEN)
        return Setting(low, high, rest, curve, port[1], message[1])

    return either(scalar(fixed, example, number=True), MOVE_TABLE, moved)


FILTER_TABLE = Table(
    "a filter",
    (
        Field(
            "cutoff",
            _setting(_hertz, "800 Hz", rests_low=False),
            "above this the sound is taken away",
            required=True,
        ),
        Field(
            "resonance",
            _setting(_percent, "30 %", rests_low=True),
            "a peak at the cutoff, 0 to 100 %; none if not written",
        ),
        Field("level", _setting(mix_level, "-6 dB", rests_low=False), "a level behind it, in dB"),
    ),
    {"frequency": "write cutoff", "q": "write resonance: 30 %", "volume": "write level"},
    "A low-pass on a source, and a level, for a pedal.",
)

FILTERS = named(table_of(FILTER_TABLE))

# --- fades ---------------------------------------------------------------------------------------

_FADE = re.compile(r"(?:to )?(?P<to>.+?) (?:over (?P<over>.+?)|(?P<end>to the end))")


def _fade(text: str) -> tuple[float, Span]:
    """`to -12 dB over 4 bars`, `off to the end`: the level against the mix, and how long."""
    found = _FADE.fullmatch(numbers.tidy(text))
    if not found:
        raise Mistake(
            f"{numbers.shown(text)} is not a fade", "write for example: to -12 dB over 4 bars"
        )
    over = Span(to_end=True) if found["end"] else lengths.span(found["over"])
    return mix_level(found["to"]), over


FADE = named(located(scalar(_fade, "to -12 dB over 4 bars", "off to the end")))
