"""The records of the rig and the set list: what is plugged in, who hears what, what comes when."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from fractions import Fraction

from syncbox.score.controls import Control, Zone
from syncbox.score.hands import Filter, Pad
from syncbox.score.song import Place, Song
from syncbox.score.timecode import SetTimeCode


class Wire(Enum):
    """What carries a port's bytes."""

    DIN = "din"  # 31.25 kbaud, 320 us a byte
    USB = "usb"  # fast enough that one message takes no time worth counting


@dataclass(frozen=True, slots=True)
class MidiPort:
    """A MIDI output of the computer. `match` is a shell-style pattern on the system's port name.

    `offset_ms` moves everything on this port: negative is earlier. Switches say
    which kinds of message the port wants.
    """

    name: str
    match: str
    wire: Wire = Wire.DIN
    offset_ms: Fraction = Fraction(0)
    clock: bool = False
    clock_when_stopped: bool = True
    start_stop: bool = False
    song_position: bool = False
    patches: bool = True
    time_code: bool = False
    place: Place = field(default=Place(), compare=False)


class ProgramCount(Enum):
    """How an instrument's panel counts programs."""

    FROM_0 = "from 0"
    FROM_1 = "from 1"
    EIGHTS = "groups of 8"  # 11 to 88: group and number, both from 1


class BankCount(Enum):
    """How an instrument's panel counts banks."""

    NONE = "none"
    FROM_0 = "from 0"  # one number, MSB x 128 + LSB
    FROM_1 = "from 1"
    PAIR = "msb and lsb"  # two numbers as they go over the wire


@dataclass(frozen=True, slots=True)
class Panel:
    """How the numbers on an instrument's panel relate to the wire."""

    programs: ProgramCount = ProgramCount.FROM_1
    banks: BankCount = BankCount.NONE


@dataclass(frozen=True, slots=True)
class Instrument:
    """A thing with a MIDI port and channel. `patch_names` maps a name to panel text."""

    name: str
    port: str
    channel: int  # 1 to 16, as panels show it
    panel: Panel = Panel()
    loading_ms: Fraction = Fraction(0)  # from the program change to the sound being ready
    patch_names: Mapping[str, str] = field(default_factory=dict)
    when_released: bool = False  # a patch waits while the instrument is held, to the bar line
    place: Place = field(default=Place(), compare=False)


EVERY_BAR = -1  # of a mix's `click_bars`


@dataclass(frozen=True, slots=True)
class Mix:
    """What one listener hears: sources at levels in dB, on one or two output channels (from 1).

    `pans` puts sources to a side, from -100 (left) to 100 (right), 0 where nothing is
    said. The click is heard in the first `click_bars` bars of a song, 0 not at all;
    the count-in has a level of its own. A `muted` mix is silent until someone opens it.
    """

    name: str
    channels: tuple[int, ...]
    levels_db: Mapping[str, float]
    ceiling_db: float = -6.0  # nothing on these channels exceeds this, in dB full scale
    pans: Mapping[str, int] = field(default_factory=dict)
    click_bars: int = EVERY_BAR
    muted: bool = False
    place: Place = field(default=Place(), compare=False)


# Sources that every rig has; all others are named by the songs' audio.
CLICK_SOURCE = "click"
COUNT_IN_SOURCE = "count-in"
VOICE_SOURCE = "voice"
TIME_CODE_SOURCE = "time-code"
PULSE_SOURCE = "clock-pulse"
OWN_SOURCES = (CLICK_SOURCE, COUNT_IN_SOURCE, VOICE_SOURCE, TIME_CODE_SOURCE, PULSE_SOURCE)
EVERYTHING_ELSE = "backing"  # in a mix: the level of every source that is not named


@dataclass(frozen=True, slots=True)
class Pulse:
    """Clock pulses on a source of their own, for gear without MIDI; `level_db` is their height."""

    per_quarter: int
    length_ms: Fraction = Fraction(5)
    level_db: float = 0.0


@dataclass(frozen=True, slots=True)
class Calibration:
    """What a sound level meter showed at one listener's ear for the test tone.

    `reading_dba` with the meter's A filter; `tone_dbfs` is the level at which the tone left
    the computer, in dB below a full-scale sine.
    """

    mix: str
    reading_dba: float
    tone_dbfs: float
    place: Place = field(default=Place(), compare=False)


@dataclass(frozen=True, slots=True)
class Rig:
    """All instruments, ports and listener mixes, in file order."""

    ports: tuple[MidiPort, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    mixes: tuple[Mix, ...] = ()
    controls: tuple[Control, ...] = ()
    input_ports: Mapping[str, str] = field(default_factory=dict)  # name -> pattern
    zones: tuple[Zone, ...] = ()  # what the keyboards play where no song says anything
    zones_early_ms: Fraction = Fraction(0)  # zones change so long before their section
    follow: str | None = None  # the input whose clock, start and stop lead
    follow_offset_ms: Fraction = Fraction(0)  # our time against the leader's; positive is later
    stick_start: tuple[Fraction, Fraction] | None = None  # hits a minute that sticks may count
    pads: tuple[Pad, ...] = ()
    filters: tuple[Filter, ...] = ()
    loudness_lufs: float | None = None  # stems and loops are brought to this; None: left alone
    pulse: Pulse | None = None
    spoken: bool = False  # count-ins and section names are said, where a song does not say
    calibrations: tuple[Calibration, ...] = ()

    @property
    def output_count(self) -> int:
        """Audio output channels that the mixes need."""
        return max((channel for mix in self.mixes for channel in mix.channels), default=0)

    def port(self, name: str) -> MidiPort | None:
        return next((port for port in self.ports if port.name == name), None)

    def instrument(self, name: str) -> Instrument | None:
        return next((inst for inst in self.instruments if inst.name == name), None)


class Then(Enum):
    """What follows a song in the set."""

    WAIT = "wait"  # until start is pressed
    SEGUE = "segue"  # the next song's downbeat is this song's end
    GAP = "gap"  # the next count-in begins after a given time


@dataclass(frozen=True, slots=True)
class TempoTrim:
    """Tonight's change of tempo: a factor, then quarters a minute added."""

    factor: Fraction = Fraction(1)
    add_qpm: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class SetEntry:
    """One song in tonight's order with tonight's changes."""

    song_id: str
    then: Then = Then.WAIT
    gap_seconds: Fraction = Fraction(0)
    trim: TempoTrim = TempoTrim()
    skip: tuple[str, ...] = ()
    patches: Mapping[str, Mapping[str, str]] = field(
        default_factory=dict
    )  # section -> instrument -> patch
    place: Place = field(default=Place(), compare=False)


@dataclass(frozen=True, slots=True)
class SetList:
    """Tonight's songs in order. `slot_seconds` is the time the band was given, if any."""

    title: str
    entries: tuple[SetEntry, ...]
    slot_seconds: Fraction | None = None
    time_code: SetTimeCode | None = None  # of the songs that have none of their own


@dataclass(frozen=True, slots=True)
class Show:
    """A whole show as read from its folder."""

    folder: str
    rig: Rig
    set_list: SetList
    songs: Mapping[str, Song]
