"""What a file may say about time code, clock pulses, spoken words and loudness at the ear."""

from __future__ import annotations

from fractions import Fraction

from syncbox.score.reading import numbers
from syncbox.score.reading.control_tables import YES_NO, milliseconds
from syncbox.score.reading.fields import Field, Found, Table, either, located, name, scalar
from syncbox.score.reading.nodes import Node
from syncbox.score.reading.report import Mistake, Report
from syncbox.score.rig import Calibration, Pulse, Rig
from syncbox.score.timecode import CodeRate, Label, SetTimeCode, TimeCode, frames_of, parsed

PULSES_MAX = 48
PULSE_MS_MIN, PULSE_MS_MAX = 1, 100
PULSE_DB_MIN = -40.0
READING_DBA_MIN, READING_DBA_MAX = 40.0, 120.0
TONE_DBFS_MIN = -80.0
APART_SECONDS_MAX = 6 * 3600

_RATES = {rate.value: rate for rate in CodeRate} | {"29.97 non drop": CodeRate.NON_DROP}


def _code_rate(text: str) -> CodeRate:
    word = numbers.tidy(text).removesuffix(" fps").removesuffix(" frames a second")
    if word == "29.97":
        raise Mistake(
            "29.97 frames a second are numbered in two ways",
            "write 29.97 drop or 29.97 non-drop",
        )
    return numbers.one_of(word, _RATES)


def _label(text: str) -> Label:
    try:
        return parsed(text)
    except ValueError as problem:
        raise Mistake(f"{numbers.shown(text)} is not a time code", str(problem)) from None


_START_HINT = "write hours:minutes:seconds:frames, for example 01:00:00:00"
_CODE_FIELDS = (
    Field(
        "rate",
        scalar(_code_rate, "25", "29.97 drop", number=True),
        "code frames a second: 24, 25, 29.97 drop, 29.97 non-drop or 30; 25 if not written",
    ),
    Field(
        "start",
        located(scalar(_label, "01:00:00:00")),
        "what it says at the downbeat of bar 1; 00:00:00:00 if not written",
    ),
    Field("in-count", YES_NO, "it runs in the count-in already; no if not written"),
)
_CODE_INSTEAD = {"fps": "write rate", "offset": "write start", "frame-rate": "write rate"}

SONG_CODE_TABLE = Table(
    "a song time code", _CODE_FIELDS, _CODE_INSTEAD, "The time code of this song."
)


def _apart(text: str) -> Fraction:
    value = numbers.seconds(text)
    if not 0 < value <= APART_SECONDS_MAX or value.denominator != 1:
        raise Mistake(f"{numbers.shown(text)} cannot be kept", "write for example 5 min or 1 h")
    return value


SET_CODE_TABLE = Table(
    "a set time code",
    (
        *_CODE_FIELDS,
        Field(
            "apart",
            scalar(_apart, "5 min", "1 h"),
            "how much later each song starts than the one before; if not written, the code "
            "runs on from song to song",
        ),
    ),
    _CODE_INSTEAD,
    "The time code of all songs that have none of their own.",
)


def build_song_code(found: Found, report: Report) -> TimeCode | None:
    """The time code of a song or the first one of a set; None after a problem."""
    rate: CodeRate = found.get("rate", CodeRate.FPS_25)
    at: tuple[Node, Label] | None = found.get("start", None)
    start = 0
    if at is not None:
        try:
            start = frames_of(at[1], rate)
        except ValueError as problem:
            report.error(at[0], f"there is no such time code: {problem}", _START_HINT)
            return None
    return TimeCode(rate, start, found.get("in-count", False))


def build_set_code(found: Found, report: Report) -> SetTimeCode | None:
    """The time code of a set; None after a problem."""
    code = build_song_code(found, report)
    no_time: Fraction | None = None
    return None if code is None else SetTimeCode(code, found.get("apart", no_time))


def _plain_code(text: str) -> TimeCode:
    """A start alone: 25 code frames a second."""
    try:
        return TimeCode(CodeRate.FPS_25, frames_of(_label(text), CodeRate.FPS_25))
    except ValueError as problem:
        raise Mistake(f"there is no such time code: {problem}", _START_HINT) from None


_SHORT = "01:00:00:00"
SONG_CODE = either(scalar(_plain_code, _SHORT), SONG_CODE_TABLE, build_song_code)
SET_CODE = either(
    scalar(lambda text: SetTimeCode(_plain_code(text)), _SHORT), SET_CODE_TABLE, build_set_code
)

# --- clock pulses -----------------------------------------------------------------------------


def _pulses(text: str) -> int:
    return numbers.whole(text, 1, PULSES_MAX)


PULSE_TABLE = Table(
    "a pulse",
    (
        Field(
            "per-quarter",
            scalar(_pulses, "24", number=True),
            "pulses to a quarter note: 1 to 48, for example 2, 4 or 24",
            required=True,
        ),
        Field(
            "length",
            milliseconds(PULSE_MS_MIN, PULSE_MS_MAX, "5 ms"),
            "the length of each pulse; 5 ms if not written",
        ),
        Field(
            "level",
            scalar(lambda text: numbers.level(text, PULSE_DB_MIN, 0.0), "-3 dB", number=True),
            "the height of each pulse below full scale; 0 dB if not written",
        ),
    ),
    {"pulses": "write per-quarter", "ppq": "write per-quarter", "ppqn": "write per-quarter"},
    "Pulses on the source 'clock-pulse', for gear without MIDI.",
)


def _build_pulse(found: Found, _report: Report) -> Pulse | None:
    plain = Pulse(1)
    return Pulse(
        found.get("per-quarter", 1),
        found.get("length", plain.length_ms),
        found.get("level", plain.level_db),
    )


PULSE = either(
    scalar(lambda text: Pulse(_pulses(text)), "24", number=True), PULSE_TABLE, _build_pulse
)

# --- loudness at the ear ----------------------------------------------------------------------


def _reading(text: str) -> float:
    word = numbers.tidy(text).replace("db(a)", "dba")
    if not word.endswith(("dba", "db a")):
        raise Mistake(
            f"{numbers.shown(text)} does not say which decibels",
            "write what the sound level meter shows with its A filter on, for example 78 dBA",
        )
    return numbers.level(word.removesuffix("a").rstrip(), READING_DBA_MIN, READING_DBA_MAX)


def _tone(text: str) -> float:
    return numbers.level(numbers.tidy(text).removesuffix("fs"), TONE_DBFS_MIN, 0.0)


CALIBRATION_TABLE = Table(
    "a calibration",
    (
        Field("mix", located(scalar(name, "drummer")), "the mix that was measured", required=True),
        Field(
            "reading",
            scalar(_reading, "78 dBA"),
            "what a sound level meter showed at the ear, with its A filter",
            required=True,
        ),
        Field(
            "tone",
            scalar(_tone, "-20 dBFS"),
            "the level of the test tone as it left the computer",
            required=True,
        ),
    ),
    {"level": "write tone, the level of the test tone", "spl": "write reading"},
    "What the test tone was at the ear, measured with a sound level meter.",
)


def build_calibration(found: Found, report: Report) -> Calibration:
    """One measured mix."""
    mix: tuple[Node, str] | None = found.get("mix", None)
    return Calibration(
        mix[1] if mix else "",
        found.get("reading", READING_DBA_MIN),
        found.get("tone", 0.0),
        report.place(found.node),
    )


def judge_calibrations(found: list[Found], rig: Rig, report: Report) -> None:
    """Every calibration belongs to a mix of the rig, and each mix has one at most."""
    seen: set[str] = set()
    for each in found:
        mix: tuple[Node, str] | None = each.get("mix", None)
        if mix is None:
            continue
        names = [known.name for known in rig.mixes]
        if mix[1] not in names:
            guess = numbers.near(mix[1], names)
            report.error(
                mix[0],
                f"{numbers.shown(mix[1])} is not one of the mixes",
                f"did you mean '{guess}'?" if guess else f"the mixes are {numbers.listing(names)}",
            )
        elif mix[1] in seen:
            report.error(mix[0], f"'{mix[1]}' is measured twice", "keep the newer one")
        seen.add(mix[1])
