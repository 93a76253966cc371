"""What a song file may say."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from syncbox.score.reading import lengths, notes, numbers
from syncbox.score.reading.fields import (
    TEXT,
    Field,
    Found,
    Kind,
    Table,
    either,
    free_text,
    listed,
    located,
    name,
    named,
    scalar,
    table_of,
)
from syncbox.score.reading.nodes import Node, Scalar
from syncbox.score.reading.report import Mistake, Report
from syncbox.score.song import (
    AudioKind,
    Click,
    ClickBeats,
    ControllerSend,
    CountIn,
    Hold,
    Modulation,
    PlayAudio,
    Ramp,
    RampShape,
    Span,
    SpokenCue,
    SysexSend,
    TempoStep,
)

FORMAT = 1
GAIN_DB_MIN, GAIN_DB_MAX = -90.0, 12.0
SECONDS_MAX = 24 * 3600
SYSEX_BYTES_MAX = 4096

FORMAT_FIELD = Field(
    "syncbox", scalar(free_text, str(FORMAT), number=True), "the number of this file format, 1"
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
FILE = located(scalar(name, "audio/pads.flac"))

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
        Field("from", SECONDS, "where in the file to begin"),
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
    file: tuple[Node, str] | None = found.get(kind.value, None)
    if file is None:
        return None
    own_name = re.sub(r"\.[^.]*$", "", file[1].replace("\\", "/").rsplit("/", 1)[-1])
    return file[0], PlayAudio(
        file[1],
        found.get("as", own_name),
        kind,
        found.get("gain", 0.0),
        found.get("from", Fraction(0)),
        found.get("every", 1 if kind is AudioKind.LOOP else 0),
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

# --- sections ------------------------------------------------------------------------------------

HAPPENINGS = (
    Field("tempo", TEMPO, "a new tempo, or a metric modulation (old note = new note)"),
    Field("ramp", RAMP, "a tempo that moves from here"),
    Field("meter", located(scalar(lengths.meter, "4/4", "6/8", "7/8 in 2+2+3")), "a new meter"),
    Field("click", CLICK, "what the click plays from here"),
    Field("patches", PATCHES, "a patch for each instrument that changes"),
    Field("send", SEND, "controllers and system exclusive messages"),
    Field("play", PLAY, "loops, stems and one-shots that start here"),
    Field("text", located(scalar(name, "Big ending")), "a line on the screen"),
    Field("say", SAY, "a recorded voice in the ears"),
    Field("hold", HOLD, "a fermata on this beat"),
)


def _beat(text: str) -> Fraction:
    value = numbers.decimal(text)
    if value < 1:
        raise Mistake(f"{numbers.shown(text)} is not a beat", "beats count from 1; 2.5 is halfway")
    return value


def _pass_no(text: str) -> int:
    word = re.sub(
        r"^(?:pass|time) |(?:st|nd|rd|th)?(?: (?:time|pass)(?: only)?)?$", "", numbers.tidy(text)
    )
    return numbers.whole(word, 1, lengths.TIMES_MAX)


_BARS = scalar(lambda text: numbers.whole(text, 1, lengths.BARS_MAX, unit="bar"), "8", number=True)

DURING_TABLE = Table(
    "an entry under 'during'",
    (
        Field(
            "bar",
            scalar(lambda text: numbers.whole(text, 1, lengths.BARS_MAX), "5", number=True),
            "the bar of the section, from 1",
            required=True,
        ),
        Field("beat", scalar(_beat, "3", "2.5", number=True), "the beat of the bar, from 1"),
        Field(
            "only",
            listed(scalar(_pass_no, "2", "2nd time", number=True)),
            "only when the section is played for the 2nd time, for example",
        ),
        *HAPPENINGS,
    ),
    doc="Something that happens inside the section.",
)

DURING = listed(table_of(DURING_TABLE))

ENDING_TABLE = Table(
    "an ending",
    (
        Field("bars", _BARS, "how many bars it has", required=True),
        *HAPPENINGS,
        Field("during", DURING, "what happens inside the ending"),
    ),
    doc="The last bars of one pass: first ending, second ending.",
)

SECTION_TABLE = Table(
    "a section",
    (
        Field("section", scalar(name, "Verse"), "its name", required=True),
        Field("mark", TEXT, "its rehearsal mark"),
        Field("notes", TEXT, "anything the band should remember"),
        Field("bars", _BARS, "how many bars it has, without its endings", required=True),
        Field(
            "times",
            scalar(lengths.times, "2", "3 times", "twice", number=True),
            "how many times it is played in all",
        ),
        Field(
            "vamp",
            located(scalar(lengths.vamp, "yes", "usually 4 times", number=True)),
            "repeats until the cue",
        ),
        Field(
            "endings",
            listed(table_of(ENDING_TABLE), alone=False),
            "first ending, second ending and so on",
        ),
        *HAPPENINGS,
        Field("during", DURING, "what happens inside the section"),
    ),
    {
        "repeat": "write times: 2 if it is played twice in all",
        "repeats": "write times: 2 if it is played twice in all",
        "name": "write section: and the name",
        "length": "write bars",
        "bar": "write bars",
        "ending": "write endings, a list",
        "at": "write during, a list of bars and what happens there",
        "time-signature": "write meter",
        "bpm": "write tempo",
        "program": "write patches",
        "loop": "write it under play",
        "stem": "write it under play",
        "one-shot": "write it under play",
        "controller": "write it under send",
        "sysex": "write it under send",
        "fermata": "write hold",
    },
    "A named part of the song.",
)

SONG_TABLE = Table(
    "a song",
    (
        FORMAT_FIELD,
        Field("title", scalar(name, "Lantern Street", number=True), "its title", required=True),
        Field("key", TEXT, "its key"),
        Field("notes", TEXT, "anything the band should remember"),
        Field("tempo", TEMPO_AT_START, "the tempo at the start: quarter = 96", required=True),
        Field(
            "meter",
            located(scalar(lengths.meter, "4/4", "7/8 in 2+2+3")),
            "the meter; 4/4 if not written",
        ),
        Field("count-in", COUNT_IN, "clicks before the song; none if not written"),
        Field(
            "pickup",
            located(scalar(lambda text: (lengths.pickup(text),), "1 beat", "eighth", "3 eighths")),
            "music before bar 1",
        ),
        Field("click", CLICK, "what the click plays where a section does not say"),
        Field(
            "sections",
            listed(table_of(SECTION_TABLE), alone=False),
            "the sections in order",
            required=True,
        ),
    ),
    {
        "name": "write title",
        "bpm": "write tempo",
        "time-signature": "write meter",
        "parts": "write sections",
        "form": "write sections",
        "format": "write syncbox: 1",
        "version": "write syncbox: 1",
        "patches": "write the patches in the first section",
        "artist": "write it in notes",
    },
    "One song.",
)

TABLES = (
    SONG_TABLE,
    SECTION_TABLE,
    ENDING_TABLE,
    DURING_TABLE,
    RAMP_TABLE,
    CLICK_TABLE,
    COUNT_IN_TABLE,
    PLAY_TABLE,
    SAY_TABLE,
    SEND_TABLE,
    HOLD_TABLE,
)
