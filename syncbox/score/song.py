"""The records of a song, as written: sections of bars with things that happen in them.

Nothing here knows a file or a device. Positions are bar and beat inside a
section; `layout` turns the written song into passes with ticks.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from fractions import Fraction
from typing import TYPE_CHECKING

from syncbox.score.meter import COMMON_TIME, Meter
from syncbox.score.timecode import TimeCode

if TYPE_CHECKING:
    from syncbox.score.controls import Zone
    from syncbox.score.hands import Pad


class RampShape(Enum):
    """How a tempo moves between two values."""

    BY_BEAT = "by beat"  # quarters a minute change evenly from beat to beat
    BY_TIME = "by time"  # quarters a minute change evenly from second to second
    BY_PERIOD = "by period"  # the length of a beat changes evenly from beat to beat


@dataclass(frozen=True, slots=True)
class Place:
    """Where a written thing stands in a file: `file:line:column`, 1-based. For messages."""

    file: str = ""
    line: int = 0
    column: int = 0

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}" if self.line else self.file


@dataclass(frozen=True, slots=True)
class At:
    """A position inside a section's body or ending: bar from 1, felt beat from 1."""

    bar: int = 1
    beat: Fraction = Fraction(1)


@dataclass(frozen=True, slots=True)
class Span:
    """A length of music: so many bars of the meter there, and so many felt beats or ticks more.

    `to_end` means "to the end of the section" and then the other fields are 0.
    """

    bars: int = 0
    beats: Fraction = Fraction(0)
    ticks: int = 0
    to_end: bool = False


# --- things that happen at a position -----------------------------------------------------


@dataclass(frozen=True, slots=True)
class TempoStep:
    """From here on the tempo is this many quarters a minute."""

    tempo_qpm: Fraction


@dataclass(frozen=True, slots=True)
class Modulation:
    """Metric modulation: the old note value (in quarters) becomes the new one."""

    old_quarters: Fraction
    new_quarters: Fraction


@dataclass(frozen=True, slots=True)
class Ramp:
    """From here the tempo moves to another, in quarters a minute, over a span."""

    to_qpm: Fraction
    over: Span
    shape: RampShape = RampShape.BY_BEAT


@dataclass(frozen=True, slots=True)
class MeterChange:
    """From this bar line on, another meter. Stands on beat 1."""

    meter: Meter


class ClickBeats(Enum):
    """Which beats of a bar the click marks."""

    OFF = "off"
    BEATS = "beats"  # every felt beat
    HALF_TIME = "half time"  # every second felt beat from the bar line
    DOUBLE_TIME = "double time"  # every felt beat and the middle between
    DOWNBEATS = "downbeats"  # the bar line only
    CHOSEN = "chosen"  # the beats named in `chosen`


@dataclass(frozen=True, slots=True)
class Click:
    """What the click plays: which beats, how they are divided, and how uneven the division is.

    `subdivision_quarters`: 1/2 for eighths, 1/3 for eighth triplets, 1/4 for
    sixteenths; None for no subdivision. `swing` is long:short as a fraction of
    the pair (1/2 straight, 2/3 for 2:1); it moves every second subdivision.
    """

    beats: ClickBeats = ClickBeats.BEATS
    chosen: tuple[int, ...] = ()
    subdivision_quarters: Fraction | None = None
    swing: Fraction = Fraction(1, 2)


@dataclass(frozen=True, slots=True)
class PatchChange:
    """Select a patch; its text is what the panel shows, or a name from the rig's list."""

    instrument: str
    patch: str


@dataclass(frozen=True, slots=True)
class ControllerSend:
    """One controller value on an instrument's channel; both 0..127."""

    instrument: str
    controller: int
    value: int


@dataclass(frozen=True, slots=True)
class SysexSend:
    """One whole system exclusive message, F0 to F7, to an instrument's port."""

    instrument: str
    data: bytes


class AudioKind(Enum):
    """How a sound relates to the bars."""

    STEM = "stem"  # plays once from here to its own end; a later start joins it in the middle
    LOOP = "loop"  # starts again every `every_bars` bars until the section ends
    ONE_SHOT = "one-shot"  # plays once to its own end


class FitWay(Enum):
    """How a loop is brought to the length of its bars."""

    OFF = "off"  # not at all: the file is played as it is
    SLICES = "slices"  # cut at its hits, which are moved: best for drums
    STRETCH = "stretch"  # stretched without changing its pitch
    RESAMPLE = "resample"  # faster or slower together with its pitch, like a tape


@dataclass(frozen=True, slots=True)
class PlayAudio:
    """Start a sound file here. `source` is its fader's name in the listener mixes."""

    file: str
    source: str
    kind: AudioKind
    gain_db: float = 0.0
    start_seconds: Fraction = Fraction(0)  # point in the file where playing begins
    every_bars: int = 0  # loops only: bars from one start to the next
    fit: FitWay = FitWay.OFF  # loops only
    start_found: bool = False  # playing begins at the file's first strong hit, not `start_seconds`
    speed: Fraction = Fraction(1)  # of the file's own: a rehearsal plays it slower, pitch kept


@dataclass(frozen=True, slots=True)
class EndLoop:
    """A loop ends here. Laid down at the end of its section when the section is written out."""

    source: str


@dataclass(frozen=True, slots=True)
class SourceFade:
    """From here a source glides to a level in every mix, in dB against what the mix says.

    0 dB is as written, minus infinity is silence. The level holds until the next fade of
    the source or the end of the song.
    """

    source: str
    level_db: float
    over: Span


@dataclass(frozen=True, slots=True)
class TextCue:
    """A line for the screen at this position."""

    text: str


@dataclass(frozen=True, slots=True)
class SpokenCue:
    """A recorded voice that starts here, on the source `voice`."""

    file: str
    gain_db: float = 0.0


@dataclass(frozen=True, slots=True)
class Hold:
    """A fermata: this felt beat sounds for its written length, then time stops.

    It stops for `seconds`, or until the cue if that is None; `usual_seconds` is what
    timeline and render assume for a hold that waits. `count_beats` clicks lead back in.
    """

    seconds: Fraction | None = None
    usual_seconds: Fraction = Fraction(3)
    count_beats: int = 0


Happening = (
    TempoStep
    | Modulation
    | Ramp
    | MeterChange
    | Click
    | PatchChange
    | ControllerSend
    | SysexSend
    | PlayAudio
    | EndLoop
    | SourceFade
    | TextCue
    | SpokenCue
    | Hold
)


@dataclass(frozen=True, slots=True)
class Item:
    """Something that happens at a position, in all passes or only in those named (from 1)."""

    at: At
    what: Happening
    passes: frozenset[int] | None = None
    place: Place = field(default=Place(), compare=False)


# --- the song ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Body:
    """A run of bars with what happens in them, items in file order."""

    bars: int
    items: tuple[Item, ...] = ()


@dataclass(frozen=True, slots=True)
class Section:
    """A named part of the song.

    It is played `passes` times; with endings, pass n closes with `endings[n - 1]`
    (the last one for any later pass). A vamp repeats the body until it is cued;
    `vamp_usual` is how many rounds timeline and render assume.
    """

    name: str
    body: Body
    mark: str = ""  # rehearsal mark
    passes: int = 1
    endings: tuple[Body, ...] = ()
    vamp_usual: int = 0  # 0: not a vamp
    notes: str = ""
    zones: tuple[Zone, ...] = ()  # of the keyboards that it names; the others keep the song's
    spoken_name: str = ""  # how it is announced; its name where nothing is written
    place: Place = field(default=Place(), compare=False)


@dataclass(frozen=True, slots=True)
class CountIn:
    """Clicks before the song: whole bars, or single beats, with a meter of their own if given."""

    bars: int = 0
    beats: int = 0
    meter: Meter | None = None


@dataclass(frozen=True, slots=True)
class Song:
    """One song as written. `id` is its file name without the ending."""

    id: str
    title: str
    tempo_qpm: Fraction
    sections: tuple[Section, ...]
    meter: Meter = COMMON_TIME
    key: str = ""
    notes: str = ""
    count_in: CountIn = CountIn()
    pickup: Span | None = None
    click: Click = Click()
    zones: tuple[Zone, ...] = ()  # where a section says nothing; else those of the rig hold
    pads: tuple[Pad, ...] = ()  # beside those of the rig, or instead of them
    time_code: TimeCode | None = None  # its own; else that of the set
    spoken: bool | None = None  # whether count-ins and section names are said; None: as the rig
    stick_start: tuple[Fraction, Fraction] | None = None  # hits a minute; None: as the rig
    place: Place = field(default=Place(), compare=False)
