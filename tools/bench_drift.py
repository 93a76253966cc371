"""Long roads: bar 10 000 against mpmath, and the last frame of twelve hours."""

from __future__ import annotations

import time
from collections.abc import Iterator
from fractions import Fraction

import mpmath
from bench_table import Options, Row

from syncbox.audio.voices import click_voices
from syncbox.drivers.simulated import Device, Faults, VirtualClock
from syncbox.engine.play import play_program
from syncbox.engine.transport import Command
from syncbox.lab.reference import ROUND, Part, reference_rig, reference_song, song_of_parts
from syncbox.schedule.compile import compile_show
from syncbox.schedule.program import Program
from syncbox.score.layout import LegKind, lay_out
from syncbox.score.rig import SetEntry, SetList, Show, Then
from syncbox.score.song import RampShape
from syncbox.units import round_half_up

RATE = 48_000
BAR, HOURS, SONG_S = 10_000, 12, 600.0
BLOCK_FRAMES = 4096
DRIFT_PPM = 60.0


def _part_s(part: Part) -> mpmath.mpf:
    """Length of one part of the reference song by its closed form, in mpmath's digits."""
    quarters = mpmath.mpf(part.bars * part.meter.numerator * 4) / part.meter.denominator
    first = mpmath.mpf(part.from_qpm.numerator) / part.from_qpm.denominator
    if part.to_qpm is None:
        return 60 * quarters / first
    last = mpmath.mpf(part.to_qpm.numerator) / part.to_qpm.denominator
    if part.shape is RampShape.BY_TIME:
        return 120 * quarters / (first + last)
    return 60 * quarters * mpmath.log(last / first) / (last - first)


def bar_ten_thousand(options: Options) -> Iterator[Row]:
    del options
    rounds = BAR // sum(part.bars for part in ROUND)
    with mpmath.workdps(40):
        round_s = mpmath.fsum(_part_s(part) for part in ROUND)
        # the bar line at which bar 10 000 ends, so that every ramp lies before it
        expected = round_s * rounds * RATE
        song = song_of_parts(len(ROUND) * rounds)
        show = Show("", reference_rig(), SetList("", (SetEntry(song.id),)), {song.id: song})
        program = compile_show(show, RATE, {}, click_voices(RATE))
        legs = program.songs[0].legs
        bars = [number for leg in legs for number, _ in leg.bars]
        found = round_half_up(legs[-1].route_start + legs[-1].length)
        apart = float(abs(found - expected))
        added_up = 0
        for part in ROUND:
            added_up += int(mpmath.nint(_part_s(part) * RATE)) * rounds
        naive = float(abs(added_up - expected))
    yield Row(
        f"end of bar {bars[-1]} ({found / RATE / 3600:.1f} h of ramps and odd meters)",
        f"{apart:.4f} frames off",
        "within 0.5",
        apart <= 0.5 and bars[-1] == BAR,
        f"mpmath, 40 digits; adding up rounded sections: {naive:.0f} frames off",
    )


def _long_show(hours: float) -> tuple[Program, Fraction]:
    """Songs of ten minutes without a break, and the exact frames from first downbeat to end."""
    song = reference_song(SONG_S)
    legs = [leg for leg in lay_out(song).legs if leg.kind is LegKind.SECTION]
    song_s = sum((leg.duration_s for leg in legs), Fraction(0))
    count = round(hours * 3600 / float(song_s))
    entries = (SetEntry(song.id, then=Then.SEGUE),) * (count - 1) + (SetEntry(song.id),)
    show = Show("", reference_rig(), SetList("", entries), {song.id: song})
    return compile_show(show, RATE, {}, click_voices(RATE)), song_s * count * RATE


def twelve_hours(options: Options) -> Iterator[Row]:
    """On a virtual device whose clock drifts: frames are counted, so it must not matter."""
    program, length = _long_show(HOURS / 12 if options.quick else HOURS)
    play = play_program(program)
    clock = VirtualClock()
    device = Device(clock, RATE, BLOCK_FRAMES, Faults(drift_ppm=DRIFT_PPM))
    play.state.press(Command.START)
    first_clock = last_stop = frame = 0
    began, began_ns = time.perf_counter(), clock.now_ns()
    while not play.state.now.sets_over:
        assert device.next_block() == 0
        for offset, port, _, why in play.render(play.state, frame, BLOCK_FRAMES).midi:
            if port == 0 and why == "clock" and not first_clock:
                first_clock = frame + offset
            elif port == 0 and why == "stop":
                last_stop = frame + offset
        frame += BLOCK_FRAMES
    took = time.perf_counter() - began
    expected = first_clock + round_half_up(length)
    host_s = (clock.now_ns() - began_ns) / 1e9
    yield Row(
        f"{len(program.songs)} songs, {float(length) / RATE / 3600:.2f} h, simulated",
        f"ends {last_stop - expected:+d} frames",
        "0 frames",
        last_stop == expected,
        f"in {took:.0f} s; the virtual device drifted {host_s - frame / RATE:+.2f} s",
    )
