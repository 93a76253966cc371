"""Everything the engine remembers between two blocks, and what it tells the outside."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from syncbox.engine.hands import Hands
from syncbox.engine.hearing import Hearing
from syncbox.engine.leader import Leader
from syncbox.engine.mixer import Mixer
from syncbox.engine.ports import (
    ClockGroup,
    FreeClock,
    MidiOut,
    Outbox,
    Timed,
    clock_groups,
    clock_interval,
)
from syncbox.engine.run import NEVER, LegRun
from syncbox.engine.script import CueScript
from syncbox.engine.speaking import Speaker
from syncbox.engine.tapping import Counter
from syncbox.engine.timecode import CodeOut
from syncbox.engine.transport import NEXT_STATE, Command, State, Trigger, packed
from syncbox.schedule.program import (
    CompiledSong,
    FadeTo,
    MessageOut,
    PatchOut,
    Program,
    SoundStart,
)
from syncbox.score.rig import Rig
from syncbox.units import ms_to_frames

LEVEL_DB_START = -12.0  # quiet: the person at the keys raises it on purpose
START_LEAD_MS = Fraction(2)  # Start goes out this long before its first clock; the rule is 1 ms
START_DELAY_MS = Fraction(50)  # from pressing start to the first count
DECIDE_MS = Fraction(10)  # a leg is decided this long before its first event


@dataclass(slots=True)
class Now:
    """Where the show is, as plain numbers: written by render_block, copied out by the driver."""

    transport: int = int(State.STOPPED)
    song_index: int = 0
    leg_index: int = 0
    section_index: int = -1
    pass_no: int = 1
    passes: int = 1
    round_no: int = 1
    bar: int = 0  # in the section, from 1; 0 before anything has sounded
    bars: int = 0
    beat: int = 0
    beats: int = 0
    bars_to_go: int = 0
    tempo_mqpm: int = 0  # thousandths of quarters a minute
    beat_frame: int = 0
    text: int = -1  # the text cue on show
    cue_pending: int = 0
    cue_late: int = 0  # too late for this round of a vamp: it counts for the next one
    songs_over: int = 0
    sets_over: int = 0
    late_count: int = 0  # events whose frame had passed when they were met
    refused_count: int = 0  # presses that meant nothing
    double_count: int = 0  # presses too soon after the same one to be meant
    heard_lost: int = 0  # incoming messages that were too many for one block
    level_mdb: int = 0  # thousandths of a dB
    trim_permille: int = 0  # tempo above or below the written one
    trim_bars: int = 0  # bar lines until that counts; 0 it does
    sounding_permille: int = 0  # the same for what sounds now
    stop_bars: int = 0  # bar lines until the stop that was asked for; 0 none was
    click_muted: int = 0
    mixes_muted: int = 0  # a bit for each mix that is not heard, the first mix the lowest
    solo_source: int = -1  # the only source that is heard
    mix_turned: int = -1  # the mix whose level was changed last, and that level
    mix_turned_mdb: int = 0
    starts_itself: int = 0  # whether the coming song begins without a press, after its gap
    count_said: int = 0  # what came of the last stick hit or tap (`tapping.Said`)
    count_hits: int = 0  # hits or taps so far
    count_milli: int = 0  # thousandths of beats a minute that they make
    leader_lock: int = -1  # how well the box that is followed is known (`servo.Lock`); -1: none
    leader_leads: int = 0  # it has started what is playing
    leader_armed: int = 0  # the song waits for its start
    leader_mqpm: int = 0  # its tempo; 0 while it is not heard
    jump_section: int = -1  # the section that comes next instead of the written one

    def forget_place(self) -> None:
        """Nothing of the coming song has sounded yet."""
        self.section_index, self.pass_no, self.passes, self.round_no = -1, 1, 1, 1
        self.bar = self.bars = self.beat = self.beats = self.bars_to_go = self.leg_index = 0
        self.text = -1


@dataclass(frozen=True, slots=True)
class Block:
    """One block: audio float32 (outputs, frames) and MIDI in sending order; both reused."""

    audio: NDArray[np.float32]
    midi: list[MidiOut]


class Fade(NamedTuple):
    """A source glides to a factor, from a frame on over some frames, from another factor."""

    gain: float
    frame: int
    length: int
    begins_at: float

    def at(self, frame: int) -> float:
        """The factor at a frame; levels move evenly in its root (`glides`)."""
        passed = frame - self.frame
        if passed >= self.length:
            return self.gain
        begin, end = math.sqrt(self.begins_at), math.sqrt(self.gain)
        return (begin + (end - begin) * max(0, passed) / self.length) ** 2


class EngineState:
    """One engine. Change it only through `press` and `render_block`, from one thread."""

    def __init__(self, program: Program, song_index: int, mixer: Mixer) -> None:
        self.program = program
        self.rate = program.rate
        self.mixer = mixer
        self.now = Now(song_index=song_index, level_mdb=round(mixer.level_db * 1000))
        self.transport = State.STOPPED
        self.song_index = song_index
        self.next_frame = 0  # the first frame of the coming block
        self.presses: list[int] = []
        # What is being played: legs that still have events, and the last one decided.
        self.runs: list[LegRun] = []
        self.tail: LegRun | None = None
        self.cue_pending = False
        self.script: CueScript | None = None  # None: cues come from a person
        self.vamps_met = self.holds_met = 0
        self.stop_frame = NEVER
        self.overridden = 0  # a bit for each instrument whose patch was chosen by hand
        self.jump_leg = -1  # where to go when the present section ends
        self.trim_permille = 0  # tonight's tempo against the written one
        self.stretch = Fraction(1)  # what that does to all times
        self.prepare_frame = 0  # when the coming song's patches go out
        self.quitting = False
        # MIDI
        ports = program.rig.ports
        self.midi: list[MidiOut] = []
        self.outboxes = [Outbox(i, port, program.rate) for i, port in enumerate(ports)]
        self.groups: list[ClockGroup] = clock_groups(program.rig, program.rate)
        self.group_of = [
            next((g for g, group in enumerate(self.groups) if i in group.ports), -1)
            for i in range(len(ports))
        ]
        self.hearing = Hearing(program)
        self.hands = Hands(program)
        self.counter = Counter()
        self.leader = None if program.rig.follow is None else Leader(program.rig, program.rate)
        self.code = CodeOut(program)
        self.speaker = Speaker(program.rate)
        self.timed = Timed()
        # None: stop every slot.
        self.timed_sounds: list[tuple[int, SoundStart | FadeTo | None]] = []
        # For an engine that goes on from here: what sounds in each slot and since which frame,
        # and how each source was faded last.
        self.slots: dict[int, tuple[SoundStart, int]] = {}
        self.faders: dict[int, Fade] = {}
        self.free_clock = FreeClock()
        self.midi_rolling = False  # whether Start has been sent and not Stop
        self.position_known = False  # whether receivers know where they are in this song
        self.phase = 0  # ticks since the last clock at the end of the tail
        self._set_instruments(len(program.rig.instruments))
        self.absent = [False] * len(ports)  # nothing but clocks is sent there for now
        self.returning: set[int] = set()  # ports that wait for a bar line to go on at
        self.told_tick = 0  # song position of the receivers at the end of the tail
        self.told_frame = -1  # who is there since then has heard Start, position and all since
        self._set_leads(program.rig, program.rate)

    def _set_instruments(self, count: int) -> None:
        """What is known of the instruments, and what is on its way to them."""
        self.selected = [-1] * count  # patch key on each instrument
        self.selected_frame = [-1] * len(self.selected)  # when it was queued
        self.controls: dict[tuple[int, bytes], bytes] = {}  # last value of each controller sent
        self.ready_frame = 0  # when the last patch asked for has been loaded
        # Per port and instrument, so that a port that comes back is brought up to date alone
        self.patches: list[PatchOut | None] = [None] * count  # wanted now
        # When the patches and controllers of a jump's place go out, ascending.
        self.arriving: list[tuple[int, PatchOut | MessageOut]] = []

    def _set_leads(self, rig: Rig, rate: int) -> None:
        """How far ahead things are done, in frames."""
        self.start_lead = ms_to_frames(START_LEAD_MS, rate=rate)
        self.start_delay = ms_to_frames(START_DELAY_MS, rate=rate)
        self.early = max(0, -min((group.shift for group in self.groups), default=0))
        self.margin = _margin_frames(rig, self.outboxes, rate)
        self.free_clock.begin(Fraction(0), clock_interval(self.song.legs[0].first_qpm, rate))

    @property
    def song(self) -> CompiledSong:
        """The song that plays or comes next."""
        return self.program.songs[self.song_index]

    @property
    def finished(self) -> bool:
        """Whether QUIT has been carried out and the outputs are silent."""
        return self.quitting and self.mixer.silent

    def press(self, command: int, argument: int = 0) -> None:
        """A command from a person; it counts from the start of the next block.

        A number that was packed with its argument already is taken as it is.
        """
        self.presses.append(packed(command, argument))

    def hear(self, offset_frames: int, input_index: int, data: bytes) -> None:
        """Bytes of one of the rig's inputs, at an offset in the coming block."""
        self.hearing.hear(offset_frames, input_index, data)

    def input_gone(self, input_index: int) -> None:
        """Nothing is connected to an input any more: what it held ends."""
        self.hearing.release(input_index)

    def may(self, trigger: Trigger) -> bool:
        """Whether a trigger means something in the present state."""
        return (self.transport, trigger) in NEXT_STATE

    def go(self, trigger: Trigger) -> None:
        """Make the transition. The pair must be in the table."""
        self.transport = NEXT_STATE[self.transport, trigger]
        self.now.transport = int(self.transport)

    def skip_to(self, frame: int) -> None:
        """Frames up to `frame` were lost to a dropout; what lay in them is late."""
        self.mixer.skip(frame - self.next_frame)
        self.next_frame = frame


def _margin_frames(rig: Rig, outboxes: list[Outbox], rate: int) -> int:
    """How long before its first event a leg is decided: ports and zones may be early."""
    earliest = min((outbox.shift for outbox in outboxes), default=0)
    return ms_to_frames(DECIDE_MS + rig.zones_early_ms, rate=rate) + max(0, -earliest)


def engine_state(
    program: Program,
    *,
    song_index: int = 0,
    frames_max: int = 8192,
    level_db: float = LEVEL_DB_START,
    soft_start: bool = True,
    script: CueScript | None = None,
) -> EngineState:
    """A stopped engine at a song of the set; the song starts at its `entry`.

    `frames_max` is the largest block it will be asked for. Levels are in dB below full
    scale, -40 to 0. With a script nobody needs to press the cue.
    """
    assert program.songs, "a set has at least one song"
    mixer = Mixer(program, frames_max, level_db=level_db, soft_start=soft_start)
    state = EngineState(program, song_index, mixer)
    state.script = script
    return state


__all__ = ["Block", "Command", "EngineState", "Now", "engine_state"]
