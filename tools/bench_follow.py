"""Following a made-up leader: error and settling of our own clock, block by block, no real time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from bench_table import Options, Row
from numpy.typing import NDArray

from syncbox.audio.voices import click_voices
from syncbox.engine.render import render_block
from syncbox.engine.state import engine_state
from syncbox.schedule.compile import compile_show
from syncbox.score.rig import MidiPort, Rig, SetEntry, SetList, Show, Wire
from syncbox.score.song import At, Body, Item, Ramp, Section, Song, Span

RATE, BLOCK_FRAMES = 48_000, 64
TEMPO_QPM = 120.0
PRE_CLOCKS = 96  # heard before Start
CHANGE_CLOCK = 480  # where a disturbance comes, counted from Start
RAMP_BARS, RAMP_QPM = 8, 132
JITTER_MS = 3.0
BEAT = 24

Frames = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """A leader: its tempo at each clock, its jitter, what gets lost; and whether the map knows."""

    what: str
    tempi_qpm: NDArray[np.float64]
    jitter_ms: float = 0.0
    lost: tuple[int, ...] = ()  # clocks after Start
    doubled: tuple[int, ...] = ()
    known_ramp: bool = False
    error_ms: float = 1.0  # targets: largest error when settled, and settling time
    settling_s: float = 2.0
    disturbed: bool = False  # settling is counted from CHANGE_CLOCK
    on_the_way: bool = False  # the error is that from CHANGE_CLOCK on, not only when settled


def _song(*, ramp: bool) -> Song:
    items = ()
    if ramp:
        over = Span(bars=RAMP_BARS)
        items = (Item(At(CHANGE_CLOCK // 96 + 1), Ramp(Fraction(RAMP_QPM), over)),)
    return Song("led", "Led", Fraction(TEMPO_QPM), (Section("A", Body(64, items)),))


def _engine_clocks(case: Case, arrivals: Frames, started: float, end: float) -> NDArray[np.int64]:
    """Frames of the clocks that an engine sends while it hears the leader."""
    song = _song(ramp=case.known_ramp)
    port = MidiPort("out", "out", wire=Wire.USB, clock=True, start_stop=True)
    rig = Rig(ports=(port,), input_ports={"box": "box"}, follow="box")
    show = Show("", rig, SetList("", (SetEntry(song.id),)), {song.id: song})
    state = engine_state(compile_show(show, RATE, {}, click_voices(RATE)))
    messages = sorted([(round(at), b"\xf8") for at in arrivals] + [(round(started), b"\xfa")])
    sent: list[int] = []
    number = 0
    while state.next_frame < end:
        first = state.next_frame
        while number < len(messages) and messages[number][0] < first + BLOCK_FRAMES:
            frame, data = messages[number]
            state.hear(max(0, frame - first), 0, data)
            number += 1
        block = render_block(state, first, BLOCK_FRAMES)
        sent += [first + offset for offset, _, _, why in block.midi if why == "clock"]
    return np.array(sent)


def _run(case: Case, seed: int) -> tuple[float, float, float, int, float]:
    """Root mean square and largest error settled (ms), settling (s), clocks off, raw error (ms)."""
    tempi_qpm = np.concatenate([np.full(PRE_CLOCKS, case.tempi_qpm[0]), case.tempi_qpm])
    true = 4_000 + np.concatenate([[0.0], np.cumsum(60 * RATE / 24 / tempi_qpm)])
    jitter_frames = case.jitter_ms * RATE / 1000
    late = np.random.default_rng(seed).uniform(-jitter_frames, jitter_frames, len(true))
    heard = np.maximum.accumulate(true + late)
    gone = [PRE_CLOCKS + number for number in case.lost]
    extra = [float(heard[PRE_CLOCKS + number]) + 0.002 * RATE for number in case.doubled]
    arrivals = np.sort(np.concatenate([np.delete(heard, gone), extra]))
    started = (heard[PRE_CLOCKS - 1] + heard[PRE_CLOCKS]) / 2
    end = float(true[-1]) - 400  # between two clocks, also where ours come a little early
    sent = _engine_clocks(case, arrivals, float(started), end)
    meant = true[PRE_CLOCKS : PRE_CLOCKS + len(sent)]
    off = len(sent) - int(np.sum(true[PRE_CLOCKS:] < end))
    errors_ms = (sent - meant) / RATE * 1000
    over_a_beat = np.convolve(errors_ms, np.full(BEAT, 1 / BEAT), "valid")
    begin = CHANGE_CLOCK if case.disturbed else 0
    unsettled = np.flatnonzero(np.abs(over_a_beat[begin:]) > 1.0)
    settling_s = 0.0
    if len(unsettled):
        last = begin + int(unsettled[-1]) + BEAT // 2
        settling_s = float(meant[last] - meant[begin]) / RATE
    settled = errors_ms[CHANGE_CLOCK if case.on_the_way else len(errors_ms) // 2 :]
    raw = float(np.sqrt(np.mean(((heard - true) / RATE * 1000) ** 2)))
    rms = float(np.sqrt(np.mean(settled**2)))
    return rms, float(np.max(np.abs(settled))), settling_s, off, raw


def _cases(clocks: int) -> list[Case]:
    steady = np.full(clocks, TEMPO_QPM)
    ramp = steady.copy()
    length = RAMP_BARS * 96
    # bpm linear over beats: the time of beat b is a logarithm, so each clock has the logarithmic
    # mean of the tempi at its ends (tests/outside/test_ramps.py has the closed form)
    ends = np.linspace(TEMPO_QPM, RAMP_QPM, length + 1)
    during = np.diff(ends) / np.log(ends[1:] / ends[:-1])
    ramp[CHANGE_CLOCK : CHANGE_CLOCK + length] = during[: clocks - CHANGE_CLOCK]
    ramp[CHANGE_CLOCK + length :] = RAMP_QPM
    step = steady.copy()
    step[CHANGE_CLOCK:] = 126.0
    unknown = {"error_ms": 6.0, "settling_s": 20.0, "disturbed": True, "on_the_way": True}
    gap = tuple(range(CHANGE_CLOCK, CHANGE_CLOCK + 24))
    return [
        Case("clean, the map's tempo", steady, error_ms=0.1),
        Case("clean, 5 % faster than the map", steady * 1.05, error_ms=0.1),
        Case("+-3 ms, the map's tempo", steady, JITTER_MS, error_ms=2.0),
        Case("+-3 ms, 5 % faster than the map", steady * 1.05, JITTER_MS, error_ms=2.0),
        Case("ramp that the map has", ramp, known_ramp=True, error_ms=0.1, disturbed=True),
        Case("the same, +-3 ms", ramp, JITTER_MS, known_ramp=True, error_ms=2.0, disturbed=True),
        Case("ramp that the map has not", ramp, 0.0, **unknown),
        Case("the same, +-3 ms", ramp, JITTER_MS, **unknown),
        Case("step to 126 that the map has not", step, disturbed=True),
        Case("one clock lost, +-3 ms", steady, JITTER_MS, (CHANGE_CLOCK,), error_ms=2.0),
        Case(
            "500 ms lost, +-3 ms",
            steady * 1.01,
            JITTER_MS,
            gap,
            error_ms=2.0,
            settling_s=4.0,
            disturbed=True,
        ),
        Case(
            "every 7th clock doubled, +-3 ms",
            steady,
            JITTER_MS,
            doubled=tuple(range(60, clocks - 60, 7)),
            error_ms=2.0,
        ),
    ]


def following(options: Options) -> Iterator[Row]:
    """A ramp of 10 % over 8 bars; largest error over the second half, settling to 1 ms."""
    clocks = 1_440 if options.quick else 2_880
    for case in _cases(clocks):
        runs = [_run(case, seed) for seed in range(1 if not case.jitter_ms else options.repeats)]
        rms, largest, settling_s = (max(run[field] for run in runs) for field in range(3))
        off = sum(abs(run[3]) for run in runs)
        met = largest <= case.error_ms and settling_s <= case.settling_s and off == 0
        yield Row(
            case.what,
            f"{rms:.2f} rms {largest:.2f} max ms, {settling_s:.1f} s",
            f"{case.error_ms:g} ms, {case.settling_s:g} s",
            met,
            f"as it arrives {runs[0][4]:.2f} ms rms; {off} clocks too many or too few",
        )
