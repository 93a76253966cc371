"""What rig.yaml and setlist.yaml may say."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any

from syncbox.score.reading import numbers
from syncbox.score.reading.code_tables import (
    CALIBRATION_TABLE,
    PULSE,
    PULSE_TABLE,
    SET_CODE,
    SET_CODE_TABLE,
)
from syncbox.score.reading.control_tables import (
    CONTROL_TABLE,
    YES_NO,
    ZONE_TABLE,
    ZONES,
    milliseconds,
)
from syncbox.score.reading.fields import (
    TEXT,
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
from syncbox.score.reading.hand_tables import FILTER_TABLE, FILTERS, MOVE_TABLE, PAD_TABLE, PADS
from syncbox.score.reading.lead_tables import FOLLOW_FIELDS, STICK_START
from syncbox.score.reading.mix_tables import LEVEL_TABLE, MIX_TABLE
from syncbox.score.reading.report import Mistake
from syncbox.score.reading.song_tables import FORMAT_FIELD
from syncbox.score.reading.sound_tables import PATCHES
from syncbox.score.rig import BankCount, ProgramCount, TempoTrim, Then, Wire

OFFSET_MS_MAX = 500
LOADING_MS_MAX = 10_000
ZONES_EARLY_MS_MAX = 200
LOUDNESS_LUFS_MIN, LOUDNESS_LUFS_MAX = -50.0, -8.0


def _choice(words: dict[str, Any]) -> Kind[Any]:
    return scalar(lambda text: numbers.one_of(text, words), choices=words)


WIRES = {wire.value: wire for wire in Wire}
PROGRAMS = {count.value: count for count in ProgramCount}
BANKS = {count.value: count for count in BankCount}
CHANGES = {"ahead": False, "when released": True}

PORT_TABLE = Table(
    "a port",
    (
        Field(
            "match",
            scalar(name, "*keys*"),
            "which port of the computer: its name, with * for any letters",
            required=True,
        ),
        Field("wire", _choice(WIRES), "what carries it: din or usb; din if not written"),
        Field(
            "offset",
            milliseconds(-OFFSET_MS_MAX, OFFSET_MS_MAX, "-3 ms"),
            "everything on this port later, or with a minus earlier",
        ),
        Field("clock", YES_NO, "send MIDI clock; no if not written"),
        Field(
            "clock-when-stopped", YES_NO, "keep the clock running while stopped; yes if not written"
        ),
        Field("start-stop", YES_NO, "send start, stop and continue; no if not written"),
        Field("song-position", YES_NO, "send song position; no if not written"),
        Field("patches", YES_NO, "send patch changes; yes if not written"),
        Field("time-code", YES_NO, "send MIDI time code; no if not written"),
    ),
    {"name": "the port's name stands before the colon; write match", "port": "write match"},
    "A MIDI output of the computer.",
)

INSTRUMENT_TABLE = Table(
    "an instrument",
    (
        Field("port", located(scalar(name, "stage-din")), "its port", required=True),
        Field(
            "channel",
            scalar(lambda text: numbers.whole(text, 1, 16), "1", number=True),
            "its MIDI channel, 1 to 16",
            required=True,
        ),
        Field("programs", _choice(PROGRAMS), "how its panel counts programs"),
        Field("banks", _choice(BANKS), "how its panel counts banks"),
        Field(
            "loading",
            milliseconds(0, LOADING_MS_MAX, "40 ms"),
            "time from a patch change to the sound being ready",
        ),
        Field("change", _choice(CHANGES), "ahead of the bar line, or when the keys are released"),
        Field("patches", PATCHES, "names for patches, each with what the panel shows"),
    ),
    {"loading-time": "write loading", "program": "write programs", "bank": "write banks"},
    "A thing with a MIDI port and channel.",
)


LOUDNESS_LUFS_MIN, LOUDNESS_LUFS_MAX = -50.0, -8.0


def _loudness(text: str) -> float | None:
    word = numbers.tidy(text)
    if word in {"off", "no"}:
        return None
    bare = re.sub(r"\s*(?:lufs|lkfs)$", "", word)
    if bare == word:
        raise Mistake(f"{numbers.shown(text)} is not a loudness", "write for example -20 LUFS")
    value = float(numbers.decimal(bare))
    if not LOUDNESS_LUFS_MIN <= value <= LOUDNESS_LUFS_MAX:
        raise Mistake(
            f"{numbers.shown(text)} is out of range",
            f"write {LOUDNESS_LUFS_MIN:g} LUFS to {LOUDNESS_LUFS_MAX:g} LUFS",
        )
    return value


RIG_TABLE = Table(
    "a rig",
    (
        FORMAT_FIELD,
        Field("notes", TEXT, "anything to remember when plugging in"),
        Field("ports", named(table_of(PORT_TABLE)), "the MIDI outputs, each with a name"),
        Field(
            "instruments", named(table_of(INSTRUMENT_TABLE)), "the instruments, each with a name"
        ),
        Field("mixes", named(table_of(MIX_TABLE)), "what each listener hears, each with a name"),
        Field(
            "loudness",
            scalar(_loudness, "-20 LUFS", "off"),
            "how loud every stem and loop is made, in LUFS; left as it is if not written",
        ),
        Field("inputs", named(scalar(name, "*pedal*")), "the MIDI inputs, each with its pattern"),
        Field("controls", listed(table_of(CONTROL_TABLE)), "footswitches, pads and keys"),
        Field("zones", ZONES, "what the keyboards play where no song says anything"),
        *FOLLOW_FIELDS,
        STICK_START,
        Field(
            "zones-early",
            milliseconds(0, ZONES_EARLY_MS_MAX, "40 ms"),
            "zones change so long before the bar line; 0 ms if not written",
        ),
        Field("pads", PADS, "sounds under pads and keys, each with a name"),
        Field("filters", FILTERS, "a filter and a pedal's level on a source, by its name"),
        Field("spoken", YES_NO, "count-ins and section names are said; no if not written"),
        Field("pulse", PULSE, "clock pulses on the source clock-pulse: so many to a quarter note"),
        Field(
            "calibration",
            listed(table_of(CALIBRATION_TABLE)),
            "what a sound level meter showed at the ear",
        ),
    ),
    {"outputs": "write mixes, each with its outputs", "synths": "write instruments"},
    "All instruments, ports and listener mixes.",
)

# --- the set list --------------------------------------------------------------------------------

_THEN = {"wait": Then.WAIT, "segue": Then.SEGUE}
GAP_SECONDS_MAX = 3600


def _then(text: str) -> tuple[Then, Fraction]:
    word = numbers.tidy(text)
    if word in _THEN:
        return _THEN[word], Fraction(0)
    try:
        gap = numbers.seconds(re.sub(r"^gap(?: of)? ", "", word))
    except Mistake as mistake:
        raise Mistake(
            f"{numbers.shown(text)} does not say what comes after", "write segue, wait or gap 5 s"
        ) from mistake
    if gap > GAP_SECONDS_MAX:
        raise Mistake(f"{numbers.shown(text)} is longer than an hour", "write wait")
    return Then.GAP, gap


_TRIM_HINT = "write for example +2 %, -3 or -3 bpm"


def tempo_trim(text: str) -> TempoTrim:
    """Tonight's change of tempo: `+2 %`, `-3 bpm`. Raises Mistake."""
    word = numbers.tidy(text).replace("\N{MINUS SIGN}", "-")
    bare = re.sub(r" ?(?:%|percent|bpm)$", "", word)
    if word in {"0", "0%", "0 %"}:
        return TempoTrim()
    if not re.match(r"[+-]", bare):
        raise Mistake(f"{numbers.shown(text)} does not say faster (+) or slower (-)", _TRIM_HINT)
    try:
        value = numbers.decimal(bare[0] + bare[1:].strip())
    except Mistake as mistake:
        raise Mistake(f"{numbers.shown(text)} is not a change of tempo", _TRIM_HINT) from mistake
    if abs(value) > 50:
        raise Mistake(f"{numbers.shown(text)} is too much", "write -50 to +50")
    if word.endswith(("%", "percent")):
        return TempoTrim(factor=1 + value / 100)
    return TempoTrim(add_qpm=value)


ENTRY_TABLE = Table(
    "a song of the set",
    (
        Field(
            "song",
            located(scalar(name, "lantern-street", number=True)),
            "the song's file name without its ending",
            required=True,
        ),
        Field(
            "then",
            scalar(_then, "segue", "wait", "gap 5 s"),
            "what comes after: segue, wait (usual) or a gap",
        ),
        Field(
            "tempo",
            located(scalar(tempo_trim, "+2 %", "-3 bpm", number=True)),
            "tonight faster or slower: +2 %, -3 bpm",
        ),
        Field("skip", listed(located(scalar(name, "Solo"))), "sections left out tonight"),
        Field("patches", named(PATCHES), "other patches tonight, by section and instrument"),
        Field("notes", TEXT, "anything to remember tonight"),
    ),
    {"title": "write song and the file's name", "next": "write then", "gap": "write then: gap 5 s"},
    "One song tonight. Short form: the file's name alone.",
)

ENTRY = listed(
    Kind(
        lambda node, _report: node,
        {"anyOf": [{"type": ["string", "number"]}, table_of(ENTRY_TABLE).schema]},
    ),
    alone=False,
)

SET_TABLE = Table(
    "a set list",
    (
        FORMAT_FIELD,
        Field("title", TEXT, "the name of the night"),
        Field("notes", TEXT, "anything to remember"),
        Field(
            "slot", scalar(numbers.seconds, "90 min", "1 h 15 min"), "the time the band was given"
        ),
        Field("time-code", SET_CODE, "the time code of all songs that have none of their own"),
        Field("songs", ENTRY, "the songs in order", required=True),
    ),
    {"set": "write songs", "setlist": "write songs"},
    "Tonight's songs in order.",
)

RIG_TABLES = (
    RIG_TABLE,
    PORT_TABLE,
    INSTRUMENT_TABLE,
    MIX_TABLE,
    CONTROL_TABLE,
    ZONE_TABLE,
    LEVEL_TABLE,
    PAD_TABLE,
    FILTER_TABLE,
    MOVE_TABLE,
    PULSE_TABLE,
    CALIBRATION_TABLE,
)
SET_TABLES = (SET_TABLE, ENTRY_TABLE, SET_CODE_TABLE)
