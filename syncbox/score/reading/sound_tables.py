"""What a file may say about sounds, messages to instruments and holds."""

from __future__ import annotations

import re
from fractions import Fraction

from syncbox.score.reading import lengths, numbers
from syncbox.score.reading.fields import (
    Field,
    Found,
    Kind,
    Table,
    either,
    listed,
    located,
    name,
    named,
    scalar,
    table_of,
)
from syncbox.score.reading.nodes import Node
from syncbox.score.reading.report import Mistake, Report
from syncbox.score.song import (
    AudioKind,
    ControllerSend,
    FitWay,
    Hold,
    PlayAudio,
    SpokenCue,
    SysexSend,
)

GAIN_DB_MIN, GAIN_DB_MAX = -90.0, 12.0
SECONDS_MAX = 24 * 3600
SYSEX_BYTES_MAX = 4096

# --- sounds ------------------------------------------------------------------------------------


def _gain(text: str) -> float:
    return numbers.level(text, GAIN_DB_MIN, GAIN_DB_MAX)


def _seconds(text: str) -> Fraction:
    value = numbers.seconds(text)
    if value > SECONDS_MAX:
        raise Mistake(f"{numbers.shown(text)} is longer than a day", "write for example 1:30")
    return value


GAIN = scalar(_gain, "-6 dB", number=True)
SECONDS = scalar(_seconds, "1:30", "90 s", "250 ms")
FIRST_HIT = "first hit"


def _start(text: str) -> Fraction | str:
    """A time in the file, or FIRST_HIT: where its first strong hit is."""
    return FIRST_HIT if numbers.tidy(text) == FIRST_HIT else _seconds(text)


START = located(scalar(_start, "1:30", "250 ms", FIRST_HIT))
FILE = located(scalar(name, "audio/pads.flac"))

_FIT_WAYS = {way.value: way for way in FitWay}

PLAY_TABLE = Table(
    "a sound",
    (
        Field("loop", FILE, "a file that starts again and again until the section ends"),
        Field("stem", FILE, "a file that plays from here to its end or the song's"),
        Field("one-shot", FILE, "a file that plays once from here"),
        Field("as", scalar(name, "pads"), "its fader's name in the listener mixes"),
        Field(
            "every",
            scalar(
                lambda text: numbers.whole(text, 1, lengths.BARS_MAX, unit="bar"),
                "2 bars",
                number=True,
            ),
            "for a loop: bars from one start to the next",
        ),
        Field("gain", GAIN, "louder or softer than the file, in dB"),
        Field("from", START, "where in the file to begin"),
        Field(
            "fit",
            scalar(lambda text: numbers.one_of(text, _FIT_WAYS), *_FIT_WAYS),
            "for a loop: how it is brought to the length of its bars",
        ),
    ),
    {
        "file": "write loop, stem or one-shot with the file behind it",
        "start": "write from: and a time, the place in the file to begin",
        "volume": "write gain: -6 dB",
        "level": "write gain: -6 dB",
        "sample": "write one-shot with the file behind it",
    },
    "A sound file that starts here.",
)
_KINDS = {kind.value: kind for kind in AudioKind}


def own_name(file: str) -> str:
    """What a sound is called that has no name: its file's, without folder and ending."""
    return re.sub(r"\.[^.]*$", "", file.replace("\\", "/").rsplit("/", 1)[-1])


def _play(found: Found, report: Report) -> tuple[Node, PlayAudio] | None:
    written = [key for key in _KINDS if found.has(key)]
    if len(written) != 1:
        report.error(
            found.node,
            "a sound is one of loop, stem and one-shot",
            "write for example loop: audio/pads.flac",
        )
        return None
    kind = _KINDS[written[0]]
    if kind is AudioKind.LOOP and not found.has("every"):
        report.error(found.node, "a loop needs its length in bars", "add every: 2 bars")
    if kind is not AudioKind.LOOP and found.has("every"):
        report.error(found.at("every"), f"'every' means nothing for a {kind.value}", "take it out")
    if kind is not AudioKind.LOOP and found.has("fit"):
        report.error(found.at("fit"), f"'fit' means nothing for a {kind.value}", "take it out")
    file: tuple[Node, str] | None = found.get(kind.value, None)
    if file is None:
        return None
    where: tuple[Node, Fraction | str] = found.get("from", (found.node, Fraction(0)))
    way = found.get("fit", FitWay.OFF)
    is_found = where[1] == FIRST_HIT
    if is_found and kind is AudioKind.LOOP and way is FitWay.OFF:
        report.error(where[0], "a loop that is not fitted begins at a time", "add fit: slices")
    return file[0], PlayAudio(
        file[1],
        found.get("as", own_name(file[1])),
        kind,
        found.get("gain", 0.0),
        Fraction(0) if is_found else Fraction(where[1]),
        found.get("every", 1 if kind is AudioKind.LOOP else 0),
        way if kind is AudioKind.LOOP else FitWay.OFF,
        is_found,
    )


def _read_play(node: Node, report: Report) -> tuple[Node, PlayAudio] | None:
    found = table_of(PLAY_TABLE).read(node, report)
    return None if found is None else _play(found, report)


PLAY = listed(Kind(_read_play, table_of(PLAY_TABLE).schema))

SAY_TABLE = Table(
    "a spoken cue",
    (
        Field("file", FILE, "the recorded voice", required=True),
        Field("gain", GAIN, "louder or softer than the file, in dB"),
    ),
    doc="A recorded voice in the ears. Short form: the file alone.",
)


def _say(found: Found, _report: Report) -> tuple[Node, SpokenCue] | None:
    file: tuple[Node, str] | None = found.get("file", None)
    return None if file is None else (file[0], SpokenCue(file[1], found.get("gain", 0.0)))


def _say_short(node: Node, report: Report) -> tuple[Node, SpokenCue] | None:
    file = FILE.read(node, report)
    return None if file is None else (file[0], SpokenCue(file[1]))


SAY = either(Kind(_say_short, FILE.schema), SAY_TABLE, _say)

# --- messages to instruments ---------------------------------------------------------------------


def _sysex(text: str) -> bytes:
    pairs = re.sub(r"0x|[,;]", " ", text.lower()).split()
    if len(pairs) == 1 and len(pairs[0]) % 2 == 0:
        pairs = re.findall("..", pairs[0])
    if not pairs or not all(re.fullmatch("[0-9a-f]{1,2}", pair) for pair in pairs):
        raise Mistake(
            f"{numbers.shown(text)} is not written in hexadecimal", "write for example F0 7D 01 F7"
        )
    data = bytes(int(pair, 16) for pair in pairs[: SYSEX_BYTES_MAX + 1])
    if len(data) > SYSEX_BYTES_MAX:
        raise Mistake("this message is too long", f"{SYSEX_BYTES_MAX} bytes are the limit")
    if len(data) < 3 or data[0] != 0xF0 or data[-1] != 0xF7:
        raise Mistake(
            f"{numbers.shown(text)} is not a whole message", "it begins with F0 and ends with F7"
        )
    if any(byte > 0x7F for byte in data[1:-1]):
        raise Mistake(
            f"{numbers.shown(text)} has a byte above 7F inside", "between F0 and F7 write 00 to 7F"
        )
    return data


_SEVEN_BITS = scalar(lambda text: numbers.whole(text, 0, 127), "64", number=True)

SEND_TABLE = Table(
    "a message",
    (
        Field("to", scalar(name, "organ"), "the instrument", required=True),
        Field("controller", _SEVEN_BITS, "the controller's number, 0 to 127"),
        Field("value", _SEVEN_BITS, "the controller's value, 0 to 127"),
        Field(
            "sysex",
            located(scalar(_sysex, "F0 7D 01 F7")),
            "a whole system exclusive message, in hexadecimal",
        ),
    ),
    {"cc": "write controller", "instrument": "write to", "control": "write controller"},
    "A message to an instrument: one controller value, or one system exclusive message.",
)


def _send(node: Node, report: Report) -> tuple[Node, ControllerSend | SysexSend] | None:
    found = table_of(SEND_TABLE).read(node, report)
    if found is None:
        return None
    to: str = found.get("to", "")
    if found.has("sysex") == found.has("controller"):
        report.error(
            node,
            "a message is a controller with its value, or a sysex",
            "write for example {to: organ, controller: 11, value: 90}",
        )
        return None
    if found.has("sysex"):
        if found.has("value"):
            report.error(found.at("value"), "'value' means nothing for a sysex", "take it out")
        sysex: tuple[Node, bytes] | None = found.get("sysex", None)
        return (node, SysexSend(to, sysex[1])) if sysex and to else None
    if not found.has("value"):
        report.error(node, "a controller needs a value", "add value: 0 to 127")
    controller: int | None = found.get("controller", None)
    if controller is None or not to:
        return None
    return node, ControllerSend(to, controller, found.get("value", 0))


SEND = listed(Kind(_send, table_of(SEND_TABLE).schema))
PATCHES = named(located(scalar(name, "Soft", "17", "3/17", number=True)))

# --- holds ---------------------------------------------------------------------------------------


def _hold_text(text: str) -> Hold:
    if numbers.tidy(text) in {"until cue", "until cued", "yes"}:
        return Hold()
    try:
        return Hold(seconds=_hold_seconds(text))
    except Mistake as mistake:
        raise Mistake(
            f"{numbers.shown(text)} is not a hold", "write until cue, or a time such as 3 s"
        ) from mistake


def _hold_seconds(text: str) -> Fraction:
    value = _seconds(text)
    if value <= 0:
        raise Mistake(f"{numbers.shown(text)} is no time at all", "write for example 3 s")
    return value


_HOLD_SECONDS = scalar(_hold_seconds, "3 s")

HOLD_TABLE = Table(
    "a hold",
    (
        Field("for", _HOLD_SECONDS, "its length, if it is always the same"),
        Field("usually", _HOLD_SECONDS, "how long it lasts as a rule, if it waits for the cue"),
        Field(
            "count",
            scalar(lambda text: numbers.whole(text, 0, 32, unit="beat"), "2 beats", number=True),
            "beats that the click counts back in afterwards",
        ),
    ),
    doc="Time stops on this beat (a fermata). Short form: `until cue` or `3 s`.",
)


def _hold(found: Found, report: Report) -> Hold:
    if found.has("for") and found.has("usually"):
        report.error(
            found.at("usually"),
            "a hold has a fixed length or waits for the cue, not both",
            "keep 'for' or 'usually'",
        )
    return Hold(
        found.get("for", None), found.get("usually", Hold().usual_seconds), found.get("count", 0)
    )


HOLD = located(either(scalar(_hold_text, "until cue", "3 s"), HOLD_TABLE, _hold))
