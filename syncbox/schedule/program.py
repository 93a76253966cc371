"""What the engine plays: a whole set, compiled for one sample rate.

Everything here is immutable once built and can be pickled, because it is handed
to the engine process once, before the audio starts. Events are grouped by leg,
at exact offsets from the leg's start (`place`), since the start of a leg after a
vamp or a hold is only known when the cue comes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from syncbox.schedule.hands import FilterPlan, PadPlan, PedalPlan
from syncbox.schedule.mixes import MixPlan
from syncbox.schedule.place import Offsets
from syncbox.schedule.zones import ZoneTable
from syncbox.score.layout import LegKind
from syncbox.score.rig import Rig, Then
from syncbox.score.timecode import TimeCode


class Clips(dict[str, NDArray[np.float32]]):
    """Sounds by name, float32 (channels, frames), and a gain for those that need one."""

    def __init__(self, *args: Mapping[str, NDArray[np.float32]]) -> None:
        super().__init__(*args)
        self.gains: dict[str, float] = {}


class SoundStart(NamedTuple):
    """Start a clip. A slot other than -1 holds one sound: a new one replaces the old."""

    clip: int
    source: int
    gain: float
    from_frame: int
    slot: int


class SoundStop(NamedTuple):
    """Fade out what a slot plays."""

    slot: int


class PatchOut(NamedTuple):
    """Select a patch: whole messages in order, left out if it is selected already."""

    port: int
    instrument: int
    key: int  # bank and program as one number
    messages: tuple[bytes, ...]
    loading_frames: int
    wait_frames: int = 0  # how much later it may go while its instrument is held


class MessageOut(NamedTuple):
    """One other message: a controller or a system exclusive message."""

    port: int
    data: bytes
    why: str


class BeatMark(NamedTuple):
    """A felt beat begins: what the screen shows from here on. All from 1."""

    section_bar: int
    beat: int
    beats: int
    bars_to_go: int  # to the end of this pass, this bar included
    tempo_mqpm: int  # thousandths of quarters a minute


ALL_SOURCES = -1


class FadeTo(NamedTuple):
    """A source (or ALL_SOURCES) glides to an amplitude factor, over frames at written tempo."""

    source: int
    gain: float
    frames: int


OPEN_FADERS = FadeTo(ALL_SOURCES, 1.0, 0)


class WordStart(NamedTuple):
    """A spoken word. `section` is what it announces as written; a clip of -1 is that one's name."""

    clip: int
    source: int
    section: int
    last: bool  # it is said even if another word still sounds


class TextMark(NamedTuple):
    """A line for the screen; indexes `CompiledSong.texts`."""

    text: int


Event = SoundStart | SoundStop | PatchOut | MessageOut | BeatMark | FadeTo | TextMark | WordStart


@dataclass(frozen=True, slots=True)
class Chased:
    """Something that holds from a tick of a leg on, and must be restored when starting later."""

    tick: int
    offset: Fraction  # the same in exact frames from the leg's start
    event: PatchOut | MessageOut | SoundStart | FadeTo
    controller: int = -1  # for controllers: which one, so that the last value wins


@dataclass(frozen=True, slots=True)
class CompiledLeg:
    """A leg with all its events. Arrays have one entry an event, ascending by tick."""

    kind: LegKind
    section: str
    section_index: int
    pass_no: int
    passes: int
    section_bars: int
    until_cue: bool
    usual_rounds: int
    ticks: int
    length: Fraction  # exact frames of one round
    event_ticks: NDArray[np.int64]
    event_offsets: Offsets
    event_shifts: NDArray[np.int64]  # frames, fixed; negative is earlier than the tick
    events: tuple[Event, ...]
    clock_ticks: Mapping[int, NDArray[np.int64]]  # by phase: ticks since the clock before the leg
    clock_offsets: Mapping[int, Offsets]
    bar_offsets: Offsets  # of `bars`
    bars: tuple[tuple[int, int], ...]  # (number on the usual route, tick) of bars that begin here
    preroll_frames: int  # how long before its start the leg's first event may lie
    lookahead_frames: int  # the same for this leg and all that follow: when it must be decided
    route_tick: int  # where its first round begins on the usual route, from bar 1
    route_start: Fraction  # the same in exact frames
    first_qpm: Fraction
    last_qpm: Fraction
    chased: tuple[Chased, ...]
    relocates: bool = False  # it does not go on from what was played: receivers are told

    @property
    def counted(self) -> bool:
        """Whether MIDI song position advances in this leg."""
        return self.kind is LegKind.SECTION


@dataclass(frozen=True, slots=True)
class Entry:
    """Where a song is to be entered: a tick of a leg, after a count-in at the tempo there."""

    leg_index: int = 0
    tick: int = 0
    offset: Fraction = Fraction(0)  # the tick in exact frames from the leg's start
    count_in: CompiledLeg | None = None  # None from the top: the song has an opening of its own

    @property
    def is_top(self) -> bool:
        """Whether the song is played from its beginning."""
        return self.leg_index == 0 and self.tick == 0


@dataclass(frozen=True, slots=True)
class CompiledSong:
    """One song of tonight's set, and what follows it."""

    id: str
    title: str
    legs: tuple[CompiledLeg, ...]
    sections: tuple[str, ...]  # names in order, for the screen
    section_patches: tuple[tuple[tuple[str, str], ...], ...]  # per section: (instrument, patch)
    texts: tuple[str, ...]
    then: Then
    gap_frames: int
    section_zones: tuple[ZoneTable, ...]  # what the keyboards play, for each section
    entry: Entry = Entry()
    pads: tuple[PadPlan, ...] = ()
    time_code: TimeCode | None = None
    name_clips: tuple[int, ...] = ()  # per section: the clip that announces it, or -1
    stick_start: tuple[Fraction, Fraction] | None = None  # hits a minute that sticks may count


@dataclass(frozen=True, slots=True)
class Program:
    """The set: songs in order, the sounds they use, and who hears what.

    `clips` are float32 arrays (channels, frames) with one or two channels at `rate`.
    `sources` name the faders; every `SoundStart.source` indexes them.
    """

    rate: int
    rig: Rig
    songs: tuple[CompiledSong, ...]
    clips: tuple[NDArray[np.float32], ...]
    sources: tuple[str, ...]
    mixes: tuple[MixPlan, ...]
    single: frozenset[int] = frozenset()  # sources whose sounds all have one channel
    click_sources: frozenset[int] = frozenset((0,))
    filters: tuple[FilterPlan, ...] = ()
    pedals: tuple[PedalPlan, ...] = ()

    @property
    def output_count(self) -> int:
        """Audio output channels."""
        return self.rig.output_count
