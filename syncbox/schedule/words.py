"""What is said ahead of each section, and when: "chorus, two, three, four".

The name stands on the first beat of the bar before, and the numbers of the other beats
follow, so the last word falls on the last beat. A count-in is counted in its last bar;
where there is a bar before, the first section's name stands there.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import NamedTuple

from syncbox.score.layout import Leg, LegKind
from syncbox.score.rig import Rig
from syncbox.score.song import MeterChange, Section, Song

NUMBERS = (
    *("one", "two", "three", "four", "five", "six"),
    *("seven", "eight", "nine", "ten", "eleven", "twelve"),
)
LEAD_MS = Fraction(120)  # every word's sound begins this long before the moment that is on the beat
WORD_MAX = 60  # letters
NO_SECTION = -1  # nothing comes, or nothing is known of it
SAME_PASS = -2  # the section goes on


class Said(NamedTuple):
    """A word of a leg: the tick it falls on, a beat's number (0: the name), whether it is last."""

    tick: int
    number: int
    last: bool


def is_spoken(song: Song, rig: Rig) -> bool:
    """Whether a song's count-in and section names are said."""
    return rig.spoken if song.spoken is None else song.spoken


def tidy_word(text: str) -> str:
    """A word as it is looked up: small letters, single spaces, nothing but words."""
    plain = "".join(letter if letter.isalnum() or letter in "'&" else " " for letter in text)
    return " ".join(plain.casefold().split())[:WORD_MAX].rstrip()


def word_clip(word: str) -> str:
    """The name of a word's sound among the clips; no file can be called that."""
    return f"syncbox says {word}\0"


def section_word(section: Section) -> str:
    """How a section is announced."""
    return tidy_word(section.spoken_name or section.name)


def words_of(songs: Sequence[Song], rig: Rig) -> tuple[str, ...]:
    """Every word that the songs need, numbers first."""
    spoken = [song for song in songs if is_spoken(song, rig)]
    if not spoken:
        return ()
    highest = max(_highest_beat(song) for song in spoken)
    names = dict.fromkeys(section_word(s) for song in spoken for s in song.sections)
    names.pop("", None)
    return (*NUMBERS[:highest], *(name for name in names if name not in NUMBERS[:highest]))


def _highest_beat(song: Song) -> int:
    meters = [song.meter]
    if song.count_in.meter is not None:
        meters.append(song.count_in.meter)
    for section in song.sections:
        for body in (section.body, *section.endings):
            meters += (item.what.meter for item in body.items if isinstance(item.what, MeterChange))
    return min(len(NUMBERS), max(meter.beat_count for meter in meters))


def coming_section(legs: Sequence[Leg], index: int) -> int:
    """Index of the section after a leg, NO_SECTION at the end, SAME_PASS inside a pass."""
    leg = legs[index]
    for later in legs[index + 1 :]:
        if later.kind is LegKind.SECTION:
            same = (later.section_index, later.pass_no) == (leg.section_index, leg.pass_no)
            return SAME_PASS if same and later is not leg else later.section_index
    return NO_SECTION


def said_in(leg: Leg, coming: int, following: Leg | None) -> Iterator[Said]:
    """The words of a leg, ascending; `coming` as from `coming_section`."""
    beats = [(bar, beat, tick) for bar, beat, tick in leg.beats() if beat < len(NUMBERS)]
    if not beats:
        return
    last_bar = beats[-1][0]
    here = [(beat, tick) for bar, beat, tick in beats if bar is last_bar]
    if leg.kind is LegKind.COUNT_IN:
        if coming >= 0 and leg.section_index < 0 and len(leg.bars) > 1:
            before = leg.bars[-2]
            first = next((tick for bar, _, tick in beats if bar is before), None)
            if first is not None:
                yield Said(first, 0, last=True)
        for beat, tick in here:
            yield Said(tick, beat + 1, last=tick == here[-1][1])
    elif leg.kind is LegKind.SECTION and coming != SAME_PASS:
        yield Said(here[0][1], 0, last=True)
        if following is None or following.kind is not LegKind.HOLD:
            for beat, tick in here[1:]:
                yield Said(tick, beat + 1, last=tick == here[-1][1])
