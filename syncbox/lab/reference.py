"""The song that `measure` plays, and where everything in it ought to be.

It has what makes timing hard: tempi whose clocks never fall on whole frames, ramps
of two shapes, three meters (7/8 in 2+2+3 among them), patches on two instruments
that change at every section, one of them behind a slow wire.

Where things ought to be is worked out twice. `grid_from_map` takes the tempo map and
exact fractions, event by event; it shares nothing with the schedule, which places
events with integer arithmetic. `grid_from_schedule` is what the engine was given.
A test holds them equal; `measure` compares with the first.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.lab.statistics import Frames
from syncbox.midi.wire import BYTE_US, BurstPart, burst_plan
from syncbox.schedule.program import Program, SoundStart
from syncbox.score.layout import LegKind, Step, lay_out, usual_path
from syncbox.score.meter import Meter
from syncbox.score.rig import (
    CLICK_SOURCE,
    COUNT_IN_SOURCE,
    Instrument,
    MidiPort,
    Mix,
    Rig,
    SetEntry,
    SetList,
    Show,
    Wire,
)
from syncbox.score.song import (
    At,
    Body,
    CountIn,
    Item,
    MeterChange,
    PatchChange,
    Ramp,
    RampShape,
    Section,
    Song,
    Span,
    TempoStep,
)
from syncbox.units import TICKS_PER_CLOCK, round_half_up

SONG_ID = "reference"
FAST_PORT, SLOW_PORT = "steady", "slow"  # a port without a wire's length, and a DIN one
LOADING_MS = Fraction(30)  # of the instrument on the slow wire
BYTE_S = Fraction(BYTE_US, 1_000_000)  # on the slow wire
PATCH_BYTES = 2  # a program change; the reference instruments have no banks


@dataclass(frozen=True, slots=True)
class Part:
    """A section of the reference song: two bars of a meter, and a tempo that may move."""

    meter: Meter
    from_qpm: Fraction
    to_qpm: Fraction | None = None
    shape: RampShape = RampShape.BY_BEAT
    bars: int = 2


# One round takes 13.3 s. No clock of these tempi is a whole number of frames long at 48 kHz.
ROUND = (
    Part(Meter.of(4, 4), Fraction(127)),
    Part(Meter.of(7, 8, (2, 2, 3)), Fraction(127), Fraction(151)),
    Part(Meter.of(3, 4), Fraction(151)),
    Part(Meter.of(6, 8), Fraction(271, 2), Fraction(97), RampShape.BY_TIME),
    Part(Meter.of(5, 4, (3, 2)), Fraction(113)),
)


def reference_rig(outputs: int = 2, *, matches: tuple[str, str] = ("", "")) -> Rig:
    """Two ports with clock, an instrument on each, the click on every output (an even number).

    `matches` are the system's port names to connect to; none by default.
    """
    ports = tuple(
        MidiPort(
            name,
            match,
            wire,
            clock=True,
            clock_when_stopped=False,
            start_stop=True,
            song_position=True,
        )
        for name, match, wire in zip(
            (FAST_PORT, SLOW_PORT), matches, (Wire.USB, Wire.DIN), strict=True
        )
    )
    instruments = (
        Instrument("organ", FAST_PORT, channel=1),
        Instrument("strings", SLOW_PORT, channel=2, loading_ms=LOADING_MS),
    )
    levels = {CLICK_SOURCE: 0.0, COUNT_IN_SOURCE: 0.0}
    mixes = tuple(
        Mix(f"listener {pair + 1}", (2 * pair + 1, 2 * pair + 2), levels)
        for pair in range(outputs // 2)
    )
    return Rig(ports, instruments, mixes)


def reference_song(seconds: float = 30.0) -> Song:
    """The song, about this long from its first downbeat; it ends with a section."""
    count, length = 0, 0.0
    while length < seconds:
        length += _seconds(ROUND[count % len(ROUND)])
        count += 1
    return song_of_parts(max(1, count))


def song_of_parts(count: int) -> Song:
    """The reference song with so many sections, at least one."""
    sections = tuple(_section(ROUND[index % len(ROUND)], index) for index in range(count))
    return Song(
        SONG_ID, "Reference", ROUND[0].from_qpm, sections, key="C", count_in=CountIn(bars=1)
    )


def _seconds(part: Part) -> float:
    """About how long a part lasts."""
    mean_qpm = float(part.from_qpm + (part.to_qpm or part.from_qpm)) / 2
    quarters = part.bars * part.meter.numerator * 4 / part.meter.denominator
    return quarters * 60 / mean_qpm


def _section(part: Part, index: int) -> Section:
    """Each section selects another patch than the one before, on both instruments."""
    here = At()
    items = [
        Item(here, MeterChange(part.meter)),
        Item(here, TempoStep(part.from_qpm)),
        Item(here, PatchChange("organ", str(1 + index % 100))),
        Item(here, PatchChange("strings", str(128 - index % 100))),
    ]
    if part.to_qpm is not None:
        items.append(Item(here, Ramp(part.to_qpm, Span(to_end=True), part.shape)))
    return Section(f"part {index + 1}", Body(part.bars, tuple(items)))


def reference_show(
    seconds: float = 30.0, *, outputs: int = 2, matches: tuple[str, str] = ("", "")
) -> Show:
    """A show of the reference song alone."""
    song = reference_song(seconds)
    set_list = SetList("Reference", (SetEntry(song.id),))
    return Show("", reference_rig(outputs, matches=matches), set_list, {song.id: song})


# --- where everything ought to be -------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Grid:
    """Frames of everything, ascending, 0 at the first downbeat; what comes before is negative.

    `clocks` counts from the downbeat, `end` is the last bar line. `beat_clocks` are
    indices of the clocks on a felt beat and `beat_clicks` those of their clicks.
    `patches` are the program changes on each port, without those of the first section,
    which go out when start is pressed.
    """

    clicks: Frames
    clocks: Frames
    beat_clicks: Frames
    beat_clocks: Frames
    patches: tuple[Frames, ...]
    bar_lines: Frames  # where these patches must be ready
    end: int


def grid_from_map(song: Song, rig: Rig, rate: int) -> Grid:
    """The grid from the tempo map alone, exact fractions rounded once for each event."""
    path = usual_path(lay_out(song))
    clicks: list[int] = []
    clocks: list[int] = []
    beats: list[tuple[int, int]] = []
    lines: list[int] = []
    for step in path:
        if step.leg.kind is not LegKind.SECTION:
            clicks += [_frame(step, tick, rate) for _, _, tick in step.leg.beats()]
            continue
        first_clock = -(-step.start_tick // TICKS_PER_CLOCK) * TICKS_PER_CLOCK
        end_tick = step.start_tick + step.leg.ticks
        for _, _, tick in step.leg.beats():
            if (step.start_tick + tick) % TICKS_PER_CLOCK == 0:
                beats.append((len(clicks), (step.start_tick + tick) // TICKS_PER_CLOCK))
            clicks.append(_frame(step, tick, rate))
        clocks += [
            _frame(step, tick - step.start_tick, rate)
            for tick in range(first_clock, end_tick, TICKS_PER_CLOCK)
        ]
        lines.append(_frame(step, 0, rate))
    last = path[-1]
    end = round_half_up((last.start_s + last.leg.duration_s) * rate)
    changes = lines[1:]
    patches = tuple(
        np.array(_patches(port, changes, clocks, rate), dtype=np.int64) for port in rig.ports
    )
    return Grid(
        np.array(clicks, dtype=np.int64),
        np.array(clocks, dtype=np.int64),
        np.array([click for click, _ in beats], dtype=np.int64),
        np.array([clock for _, clock in beats], dtype=np.int64),
        patches,
        np.array(changes, dtype=np.int64),
        end,
    )


def _frame(step: Step, tick: int, rate: int) -> int:
    return round_half_up((step.start_s + step.leg.tempo_map.seconds_at(tick)) * rate)


def _patches(port: MidiPort, bar_lines: list[int], clocks: list[int], rate: int) -> list[int]:
    """Frames of a port's program changes: early by what the wire's plan says.

    Where a message would meet a clock on a DIN wire, it waits until that has passed.
    """
    if port.wire is Wire.USB:
        return bar_lines
    byte_frames, length = _up(BYTE_S * rate), _up(PATCH_BYTES * BYTE_S * rate)
    parts = [BurstPart(PATCH_BYTES, int(LOADING_MS * 1000))]
    (plan,) = burst_plan(parts, port.wire, max(part.from_qpm for part in ROUND))
    lead = _up(Fraction(plan.lead_us, 1_000_000) * rate)
    frames = []
    for line in bar_lines:
        start = line - lead
        for clock in clocks:
            if start - byte_frames < clock < start + length:
                start = clock + byte_frames
        frames.append(start)
    return frames


def _up(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)


def grid_from_schedule(program: Program) -> tuple[Frames, Frames]:
    """Clicks and clocks of a compiled reference song, frames from the downbeat, shapes (n,)."""
    clicks: list[NDArray[np.int64]] = []
    clocks: list[NDArray[np.int64]] = []
    phase = 0
    for leg in program.songs[0].legs:
        frames = leg.event_offsets.frames(leg.route_start) + leg.event_shifts
        sounds = [isinstance(event, SoundStart) for event in leg.events]
        clicks.append(frames[np.array(sounds, dtype=np.bool_)])
        if leg.counted:
            clocks.append(leg.clock_offsets[phase].frames(leg.route_start))
            phase = (phase + leg.ticks) % TICKS_PER_CLOCK
    return np.concatenate(clicks), np.concatenate(clocks)
