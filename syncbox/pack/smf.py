"""A song's musical content for one port as a Standard MIDI File.

Format 1, 20160 ticks to the quarter: the first track has tempo, time signatures,
markers and cue points; each instrument on the port has a track with its patches,
controllers and system exclusive messages. They stand on the bar lines and beats where
the song has them; the time that loading takes is for the player to allow.
Repeats are written out and vamps and holds take their usual length (`usual`).

A file holds a tempo as whole microseconds a quarter. Each value is chosen so that
the file's time at the end of its stretch comes nearest to the exact time, the errors
before it included. A steady stretch is one value and a ramp one value a MIDI clock, so
at a stretch's ends the file is off by at most half a microsecond for each quarter of
the longest stretch so far, and nothing adds up over the song. A tempo that goes on
keeps its value until that would cost 50 microseconds: a song in one tempo shows one.
Inside one clock of a ramp the file follows a straight line for a curve.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import chain, groupby
from math import floor

import mido
import numpy as np

from syncbox.errors import ShowError
from syncbox.midi import messages
from syncbox.midi.panel import instrument_patch
from syncbox.pack.usual import FileStep, file_steps, marks
from syncbox.score.layout import LegKind, Route
from syncbox.score.meter import DENOMINATORS, NUMERATOR_MAX, Meter
from syncbox.score.rig import Instrument, MidiPort, Rig
from syncbox.score.song import ControllerSend, Happening, PatchChange, SysexSend, TextCue
from syncbox.score.timecode import TimeCode, label_of
from syncbox.units import TICKS_PER_CLOCK, TICKS_PER_QUARTER, TICKS_PER_WHOLE, round_half_up

US_PER_SECOND = 1_000_000
CORRECTION_PART_MAX = Fraction(1, 1000)  # of a tempo; a short stretch does not jump for errors
LATE_US_MAX = 50  # what a tempo that goes on may cost before its value moves by one
DELTA_MAX = 0x0FFF_FFFF  # the largest variable-length quantity (section 1.1 of the specification)
CLICK_CLOCKS_MAX = 255

Event = tuple[int, mido.Message | mido.MetaMessage]


def song_smf(route: Route, rig: Rig, port: MidiPort) -> bytes:
    """The whole file; a port that wants no patches has only the first track.

    Raises ShowError for a song that the format cannot hold.
    """
    steps = file_steps(route)
    end_tick = steps[-1].start_tick + steps[-1].ticks
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER, charset="utf-8")
    title = route.song.title
    events = _conductor(route, steps)
    if port.time_code and route.song.time_code is not None:
        offset = smpte_offset(route.song.time_code, steps[0].step.start_s)
        events = chain([(0, offset)], events)
    file.tracks.append(_track(title, events, end_tick, title))
    for instrument in rig.instruments:
        if instrument.port == port.name and port.patches:
            events = _instrument_events(steps, instrument)
            file.tracks.append(_track(instrument.name, events, end_tick, title))
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def smpte_offset(code: TimeCode, start_s: Fraction) -> mido.MetaMessage:
    """The time code at the file's beginning, `start_s` from the downbeat of bar 1.

    Down to a hundredth of a code frame (Standard MIDI Files 1.0, FF 54). There is no
    number for 29.97 without drop; as in MIDI Time Code, that of 30 stands for it.
    """
    parts = floor((code.start + start_s * code.rate.per_second) * 100)
    hours, minutes, seconds, frames = label_of(parts // 100, code.rate)
    rate = 29.97 if code.rate.drops else code.rate.nominal
    return mido.MetaMessage(
        "smpte_offset",
        frame_rate=rate,
        hours=hours,
        minutes=minutes,
        seconds=seconds,
        frames=frames,
        sub_frames=parts % 100,
    )


def _track(name: str, events: Iterator[Event], end_tick: int, title: str) -> mido.MidiTrack:
    """Events in ascending order as a track with its name first and its end last."""
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
    tick = 0
    for at, message in (*events, (end_tick, mido.MetaMessage("end_of_track"))):
        assert at >= tick, (at, tick)
        if at - tick > DELTA_MAX:
            raise ShowError(
                f"{title} goes on for more than {DELTA_MAX // TICKS_PER_QUARTER} quarters "
                "without an event, which a MIDI file cannot hold",
                hint="split the song in two",
            )
        track.append(message.copy(time=at - tick))
        tick = at
    return track


def _conductor(route: Route, steps: tuple[FileStep, ...]) -> Iterator[Event]:
    """Tempo, time signatures, markers and cue points, ascending; in this order on one tick."""
    events: list[Event] = [
        (tick, mido.MetaMessage("set_tempo", tempo=tempo_us)) for tick, tempo_us in tempi(steps)
    ]
    events += [(bar.tick, _time_signature(bar.meter)) for bar in signatures(steps)]
    events += [(tick, mido.MetaMessage("marker", text=text)) for tick, _, text in marks(route)]
    events += [
        (tick, mido.MetaMessage("cue_marker", text=what.text))
        for tick, what in _happenings(steps)
        if isinstance(what, TextCue)
    ]
    return iter(sorted(events, key=lambda event: event[0]))


def _happenings(steps: tuple[FileStep, ...]) -> Iterator[tuple[int, Happening]]:
    for placed in steps:
        for item in placed.leg.items:
            yield placed.start_tick + item.tick, item.what


# --- tempo -----------------------------------------------------------------------------------

# Ramps are laid down to this part of a second: a thousandth of what the file can say, and
# small enough numbers that thousands of them are quickly worked out.
PER_S = 1_000_000_000


def tempi(steps: tuple[FileStep, ...]) -> Iterator[tuple[int, int]]:
    """Changes of tempo as (tick, microseconds a quarter), ascending, the first at tick 0."""
    late_us = Fraction(0)  # the file's own time, tempo by tempo, less the exact time
    tempo_us, before_us, start_s = 0, Fraction(0), steps[0].step.start_s
    for start_tick, end_tick, end_s in _stretches(steps):
        quarters = Fraction(end_tick - start_tick, TICKS_PER_QUARTER)
        exact_us = (end_s - start_s) * US_PER_SECOND / quarters
        kept_late_us = late_us + (tempo_us - exact_us) * quarters
        if exact_us != before_us or abs(kept_late_us) > LATE_US_MAX:
            most_us = exact_us * CORRECTION_PART_MAX
            wanted_us = exact_us - min(max(late_us / quarters, -most_us), most_us)
            nearest_us = round_half_up(wanted_us)
            if nearest_us != tempo_us:
                yield start_tick, nearest_us
            tempo_us = nearest_us
        late_us += (tempo_us - exact_us) * quarters
        before_us, start_s = exact_us, end_s


def _stretches(steps: tuple[FileStep, ...]) -> Iterator[tuple[int, int, Fraction]]:
    """Runs of ticks that get one tempo, as (first tick, last tick, exact seconds at the last)."""
    for placed in steps:
        start, start_s = placed.start_tick, placed.step.start_s
        if placed.leg.kind is LegKind.HOLD:
            yield start, start + placed.ticks, start_s + placed.leg.hold_seconds
            continue
        tempo_map = placed.leg.tempo_map
        for segment in tempo_map.segments:
            first, last = segment.start_tick, segment.start_tick + segment.ticks
            if segment.curve is None:
                yield start + first, start + last, start_s + tempo_map.seconds_at(last)
                continue
            # The clock grid counts from bar 1, as it does on the wire.
            grid = -(placed.step.start_tick + first) % TICKS_PER_CLOCK or TICKS_PER_CLOCK
            cuts = [*range(first + grid, last, TICKS_PER_CLOCK), last]
            seconds = tempo_map.seconds_of(np.array(cuts, dtype=np.int64))
            for cut, within_s in zip(cuts, (seconds + float(start_s)).tolist(), strict=True):
                yield start + first, start + cut, Fraction(round(within_s * PER_S), PER_S)
                first = cut


# --- bars ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FileBar:
    """A bar as a reader of the file counts it: always a whole bar of its meter."""

    tick: int
    meter: Meter


def signatures(steps: tuple[FileStep, ...]) -> Iterator[FileBar]:
    """Bars where the time signature changes, ascending, the first at tick 0."""
    meter = None
    for bar in file_bars(steps):
        if bar.meter != meter:
            yield bar
        meter = bar.meter


def file_bars(steps: tuple[FileStep, ...]) -> Iterator[FileBar]:
    """Every bar of the file in order.

    A part of a bar (a pickup, a bar that a hold cuts, the hold itself) is a bar of its
    own with a time signature that fits it, so a reader's bar lines stay on ours. A
    count-in that the pickup completes is one bar with it.
    """
    pending: tuple[int, int, Meter] | None = None  # tick, ticks and meter of a bar's head
    for start, ticks, meter, continued in _bar_parts(steps):
        if pending is not None:
            head_start, head_ticks, head_meter = pending
            if continued and head_meter == meter and head_ticks + ticks == meter.bar_ticks:
                yield FileBar(head_start, meter)
                pending = None
                continue
            yield FileBar(head_start, _fitting(head_ticks, head_meter))
        pending = (start, ticks, meter)
        if ticks == meter.bar_ticks:
            yield FileBar(start, meter)
            pending = None
    if pending is not None:
        yield FileBar(pending[0], _fitting(pending[1], pending[2]))


def _bar_parts(steps: tuple[FileStep, ...]) -> Iterator[tuple[int, int, Meter, bool]]:
    """Bars and parts of bars: tick, ticks, meter, and whether the bar's head lies before."""
    for placed in steps:
        if placed.leg.kind is LegKind.HOLD:
            quarters = placed.ticks // TICKS_PER_QUARTER
            yield placed.start_tick, placed.ticks, Meter(quarters, 4, (1,) * quarters), False
            continue
        for bar in placed.leg.bars:
            end = min(bar.start_tick + bar.meter.bar_ticks, placed.leg.ticks)
            ticks = end - bar.first_tick
            yield placed.start_tick + bar.first_tick, ticks, bar.meter, bar.start_tick < 0


def _fitting(ticks: int, meter: Meter) -> Meter:
    """A meter whose bar is this long, in the bar's own note value or the next that can say it.

    A length that is no number of sixty-fourths (a triplet) gets 1/64, and the bar
    after it begins by its own time signature.
    """
    for denominator in DENOMINATORS:
        numerator, rest = divmod(ticks, TICKS_PER_WHOLE // denominator)
        if denominator >= meter.denominator and not rest and numerator <= NUMERATOR_MAX:
            return Meter.of(numerator, denominator)
    return Meter.of(1, DENOMINATORS[-1])


def _time_signature(meter: Meter) -> mido.MetaMessage:
    return mido.MetaMessage(
        "time_signature",
        numerator=meter.numerator,
        denominator=meter.denominator,
        clocks_per_click=click_clocks(meter),
        notated_32nd_notes_per_beat=8,
    )


def click_clocks(meter: Meter) -> int:
    """MIDI clocks from one click of a metronome to the next, where one number can say it.

    The felt beat if all are alike (36 in 6/8), else the note value below (12 in 7/8).
    """
    even = len(set(meter.groups)) == 1
    for units in (meter.groups[0] if even else 1, 1, 2):
        clocks, rest = divmod(units * meter.unit_ticks, TICKS_PER_CLOCK)
        if not rest and clocks <= CLICK_CLOCKS_MAX:
            return clocks
    raise AssertionError(f"two units of any meter are whole clocks: {meter}")


# --- instruments -----------------------------------------------------------------------------


def _instrument_events(steps: tuple[FileStep, ...], instrument: Instrument) -> Iterator[Event]:
    """What one instrument is sent, ascending; at one tick the last patch, then the rest.

    A patch that is selected already is left out.
    """
    selected = None
    for tick, here in groupby(_happenings(steps), key=lambda happening: happening[0]):
        patch, rest = None, []
        for _, what in here:
            match what:
                case PatchChange(name, text) if name == instrument.name:
                    patch = instrument_patch(instrument, text)
                case ControllerSend(name, number, value) if name == instrument.name:
                    rest.append(messages.controller(instrument.channel, number, value))
                case SysexSend(name, data) if name == instrument.name:
                    rest.append(messages.sysex(data))
                case _:
                    pass
        if patch is not None and patch != selected:
            selected = patch
            rest[:0] = messages.patch(instrument.channel, patch.msb, patch.lsb, patch.program)
        for data in rest:
            yield tick, mido.Message.from_bytes(data)
