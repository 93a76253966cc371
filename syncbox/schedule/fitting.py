"""How long the bars are that a loop has to fill, to the frame, wherever the tempo goes there."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.score.layout import Leg, LegKind
from syncbox.score.song import AudioKind, FitWay, PlayAudio
from syncbox.score.tempo import TempoMap
from syncbox.score.written import Bar
from syncbox.units import TICKS_PER_QUARTER, round_half_up

KNOT_TICKS = TICKS_PER_QUARTER // 64  # inside ramps; a straight line between is off by 0.05 ms


@dataclass(frozen=True, slots=True)
class LoopTarget:
    """Bars to be filled: their ticks, and the frame at which each tick falls.

    All ticks and frames count from the loop's start. `frame_count` is exact; between
    the knots the frames lie on straight lines.
    """

    ticks: int
    frame_count: int
    bar_ticks: tuple[int, ...]
    beat_ticks: tuple[int, ...]
    knot_ticks: tuple[int, ...]
    knot_frames: tuple[float, ...]

    @property
    def quarters(self) -> Fraction:
        """Length in quarters."""
        return Fraction(self.ticks, TICKS_PER_QUARTER)

    @property
    def is_steady(self) -> bool:
        """Whether one tempo holds throughout."""
        slopes = np.diff(self.knot_frames) / np.diff(self.knot_ticks)
        return bool(np.ptp(slopes) <= 1e-9 * slopes.max())

    def frames_of(self, ticks: NDArray[np.float64]) -> NDArray[np.float64]:
        """Frames at ticks within the loop, shape (n,), not rounded."""
        return np.interp(ticks, self.knot_ticks, self.knot_frames)

    @property
    def key(self) -> str:
        """A short text that is the same for equal targets only."""
        return hashlib.sha256(repr(self).encode()).hexdigest()[:16]


def loop_targets(legs: Sequence[Leg], rate: int) -> dict[tuple[int, int, PlayAudio], LoopTarget]:
    """The bars of every loop that is to be fitted, by leg index, tick and what is played there.

    `legs` are in playing order, each at its own index.
    """
    return {
        (leg.index, placed.tick, placed.what): target_at(
            legs, leg.index, placed.tick, placed.what.every_bars, rate
        )
        for leg in legs
        for placed in leg.items
        if isinstance(placed.what, PlayAudio)
        and placed.what.kind is AudioKind.LOOP
        and placed.what.fit is not FitWay.OFF
    }


def fitted_name(play: PlayAudio, target: LoopTarget) -> str:
    """The name of a fitted loop among the clips of a show."""
    return f"{play.file} ({play.fit.value} from {play.start_seconds} s to {target.key})"


def clip_name(play: PlayAudio) -> str:
    """The name of a sound that is not fitted among the clips of a show."""
    name = f"{play.file} (from its first hit)" if play.start_found else play.file
    return name if play.speed == 1 else f"{name} (at {play.speed} of its speed)"


def target_at(legs: Sequence[Leg], index: int, tick: int, bars: int, rate: int) -> LoopTarget:
    """The target of a loop of so many bars that starts at a tick of a leg.

    Where the section is over before the loop is, its last bar and tempo go on.
    """
    joined = _joined(legs, index)
    all_bars = [replace_start(bar, start) for start, leg in joined for bar in leg.bars]
    first = max(i for i, bar in enumerate(all_bars) if bar.start_tick <= tick)
    within = tick - all_bars[first].start_tick
    chosen = all_bars[first : first + bars + 1]
    last = all_bars[-1]
    while len(chosen) < bars + 1:
        end = chosen[-1].start_tick + chosen[-1].meter.bar_ticks
        chosen.append(Bar(0, 0, last.meter, end))
    ticks = chosen[bars].start_tick + within - tick
    bar_lines = [bar.start_tick - tick for bar in chosen if 0 <= bar.start_tick - tick < ticks]
    beats = [bar.start_tick + start - tick for bar in chosen for start in bar.meter.beat_starts()]
    parts = [(start, leg.tempo_map) for start, leg in joined]
    knots = _knots(parts, tick, ticks)
    start_s = _seconds(parts, tick)
    exact = [(_seconds(parts, tick + knot) - start_s) * rate for knot in knots]
    return LoopTarget(
        ticks,
        round_half_up(exact[-1]),
        tuple(bar_lines),
        tuple(beat for beat in beats if 0 <= beat < ticks),
        tuple(knots),
        tuple(float(value) for value in exact),
    )


def stretched_target(frame_count: int, speed: Fraction) -> LoopTarget:
    """The target of a whole sound that is to be played at a speed, whatever bars it holds."""
    exact = frame_count / speed
    ticks = TICKS_PER_QUARTER * 1024  # of any length: it only says that the speed is steady
    ends = (0.0, float(exact))
    return LoopTarget(ticks, round_half_up(exact), (0,), (0,), (0, ticks), ends)


def steady_target(tempo_qpm: Fraction, bars: Sequence[Bar], rate: int) -> LoopTarget:
    """The target of bars (ticks from 0) at one tempo."""
    ticks = bars[-1].start_tick + bars[-1].meter.bar_ticks
    seconds = TempoMap.steady(tempo_qpm, ticks).duration_s
    beats = [bar.start_tick + start for bar in bars for start in bar.meter.beat_starts()]
    return LoopTarget(
        ticks,
        round_half_up(seconds * rate),
        tuple(bar.start_tick for bar in bars),
        tuple(beats),
        (0, ticks),
        (0.0, float(seconds * rate)),
    )


def replace_start(bar: Bar, start: int) -> Bar:
    """A bar whose ticks count from another place."""
    return Bar(bar.number, bar.section_bar, bar.meter, bar.start_tick + start, bar.continued)


def _joined(legs: Sequence[Leg], index: int) -> list[tuple[int, Leg]]:
    """A leg and those that continue its pass without a hold, each with its start in ticks."""
    first, start = legs[index], 0
    joined: list[tuple[int, Leg]] = []
    for leg in legs[index:]:
        same = (leg.section_index, leg.pass_no) == (first.section_index, first.pass_no)
        if leg.kind is not LegKind.SECTION or not same:
            break
        joined.append((start, leg))
        start += leg.ticks
    return joined or [(0, first)]


def _seconds(parts: Sequence[tuple[int, TempoMap]], tick: int) -> Fraction:
    """Seconds from the first part's start; after the last one its tempo goes on."""
    passed = Fraction(0)
    for start, tempo_map in parts[:-1]:
        if tick <= start + tempo_map.ticks:
            return passed + tempo_map.seconds_at(tick - start)
        passed += tempo_map.duration_s
    start, tempo_map = parts[-1]
    return passed + tempo_map.seconds_at(tick - start)


def _knots(parts: Sequence[tuple[int, TempoMap]], tick: int, ticks: int) -> list[int]:
    """Ticks between which time runs on a straight line, or near enough."""
    knots = {0, ticks}
    for start, tempo_map in parts:
        for segment in tempo_map.segments:
            first = start + segment.start_tick - tick
            knots.add(first)
            if segment.curve is not None:
                knots.update(range(first, first + segment.ticks, KNOT_TICKS))
                knots.add(first + segment.ticks)
    return sorted(knot for knot in knots if 0 <= knot <= ticks)
