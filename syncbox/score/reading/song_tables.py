"""What a song file may say, section by section."""

from __future__ import annotations

import re
from fractions import Fraction

from syncbox.score.reading import lengths, numbers
from syncbox.score.reading.code_tables import SONG_CODE, SONG_CODE_TABLE
from syncbox.score.reading.control_tables import YES_NO, ZONE_TABLE, ZONES
from syncbox.score.reading.fields import (
    TEXT,
    Field,
    Table,
    free_text,
    listed,
    located,
    name,
    scalar,
    table_of,
)
from syncbox.score.reading.hand_tables import FADE, PAD_TABLE, PADS
from syncbox.score.reading.lead_tables import STICK_START
from syncbox.score.reading.report import Mistake
from syncbox.score.reading.sound_tables import (
    HOLD,
    HOLD_TABLE,
    PATCHES,
    PLAY,
    PLAY_TABLE,
    SAY,
    SAY_TABLE,
    SEND,
    SEND_TABLE,
)
from syncbox.score.reading.time_tables import (
    CLICK,
    CLICK_TABLE,
    COUNT_IN,
    COUNT_IN_TABLE,
    RAMP,
    RAMP_TABLE,
    TEMPO,
    TEMPO_AT_START,
)

FORMAT = 1
FORMAT_FIELD = Field(
    "syncbox", scalar(free_text, str(FORMAT), number=True), "the number of this file format, 1"
)

# --- sections ------------------------------------------------------------------------------------

HAPPENINGS = (
    Field("tempo", TEMPO, "a new tempo, or a metric modulation (old note = new note)"),
    Field("ramp", RAMP, "a tempo that moves from here"),
    Field("meter", located(scalar(lengths.meter, "4/4", "6/8", "7/8 in 2+2+3")), "a new meter"),
    Field("click", CLICK, "what the click plays from here"),
    Field("patches", PATCHES, "a patch for each instrument that changes"),
    Field("send", SEND, "controllers and system exclusive messages"),
    Field("play", PLAY, "loops, stems and one-shots that start here"),
    Field("fade", FADE, "a source that glides to another level, in every mix"),
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
        Field("zones", ZONES, "what the keyboards play in this section"),
        Field(
            "spoken-name",
            scalar(name, "second verse", number=True),
            "how it is announced; its name if not written",
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
        Field("zones", ZONES, "what the keyboards play where a section does not say"),
        Field("pads", PADS, "sounds under pads and keys, beside those of the rig"),
        STICK_START,
        Field("time-code", SONG_CODE, "the song's own time code; that of the set if not written"),
        Field(
            "spoken", YES_NO, "count-in and section names are said; as the rig says if not written"
        ),
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
    ZONE_TABLE,
    PAD_TABLE,
    SONG_CODE_TABLE,
)
