"""A delay-locked loop that turns jittery callback times into a smooth map from frames to time.

Second-order loop after F. Adriaensen, "Using a DLL to filter time", Linux Audio
Conference 2005. Every function here is pure: no clock is read, so a recorded
night can be played through it again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

BANDWIDTH_LOCKING_HZ = 1.0
BANDWIDTH_LOCKED_HZ = 0.1
_LOCKING_S = 4.0  # this long at the wide bandwidth before it narrows
_JUMP_PERIODS = 4  # an error of more periods is a jump of the device, not jitter


@dataclass(frozen=True, slots=True)
class Coefficients:
    """How strongly an error moves the phase (`b`) and the period (`c`)."""

    w: float
    b: float
    c: float


def coefficients(bandwidth_hz: float, period_s: float) -> Coefficients:
    """Of a loop of this bandwidth: w = 2 pi B T, b = sqrt(2) w, c = w squared."""
    w = 2 * math.pi * bandwidth_hz * period_s
    return Coefficients(w, math.sqrt(2) * w, w * w)


@dataclass(frozen=True, slots=True)
class Loop:
    """The filtered moments of the present block and the next, and the frames they belong to."""

    t0_s: float  # of frame n0
    t1_s: float  # of frame n1, as expected
    e2_s: float  # the period as estimated
    n0: int
    n1: int


def begin(now_s: float, frame: int, block_frames: int, rate: int) -> Loop:
    """The first callback: `frame` is heard at `now_s`."""
    period_s = block_frames / rate
    return Loop(now_s, now_s + period_s, period_s, frame, frame + block_frames)


def step(loop: Loop, now_s: float, block_frames: int, gains: Coefficients) -> Loop:
    """The next callback, whose first frame `loop.n1` was measured to be heard at `now_s`."""
    error_s = now_s - loop.t1_s
    return Loop(
        t0_s=loop.t1_s,
        t1_s=loop.t1_s + gains.b * error_s + loop.e2_s,
        e2_s=loop.e2_s + gains.c * error_s,
        n0=loop.n1,
        n1=loop.n1 + block_frames,
    )


def time_of_frame(loop: Loop, frame: int) -> float:
    """Seconds at which a frame is heard; near the present block, also outside it."""
    part = (frame - loop.n0) / (loop.n1 - loop.n0)
    return loop.t0_s + part * (loop.t1_s - loop.t0_s)


def rate_of(loop: Loop) -> float:
    """The device's frames in a second of host time."""
    return (loop.n1 - loop.n0) / loop.e2_s


@dataclass(frozen=True, slots=True)
class Tracker:
    """A loop with its manners: wide while it locks, narrow afterwards, begun anew after a jump."""

    loop: Loop
    rate: int
    block_frames: int
    blocks: int = 0  # since it began
    jumps: int = 0  # since the first of all


def track(rate: int, frame: int, block_frames: int, now_s: float) -> Tracker:
    """A tracker from its first callback."""
    return Tracker(begin(now_s, frame, block_frames, rate), rate, block_frames)


def follow(tracker: Tracker, frame: int, block_frames: int, now_s: float) -> Tracker:
    """The next callback: block `frame` to `frame + block_frames`, heard from `now_s` on."""
    loop, period_s = tracker.loop, block_frames / tracker.rate
    same = block_frames == tracker.block_frames and frame == loop.n1
    if not same or abs(now_s - loop.t1_s) > _JUMP_PERIODS * period_s:
        fresh = track(tracker.rate, frame, block_frames, now_s)
        return replace(fresh, jumps=tracker.jumps + 1)
    locking = tracker.blocks * period_s < _LOCKING_S
    bandwidth_hz = BANDWIDTH_LOCKING_HZ if locking else BANDWIDTH_LOCKED_HZ
    return Tracker(
        loop=step(loop, now_s, block_frames, coefficients(bandwidth_hz, period_s)),
        rate=tracker.rate,
        block_frames=block_frames,
        blocks=tracker.blocks + 1,
        jumps=tracker.jumps,
    )


def moved(tracker: Tracker, frames: int, seconds: float) -> Tracker:
    """After a gap: the coming block is `frames` further on, and heard `seconds` later."""
    loop = tracker.loop
    loop = replace(
        loop,
        t0_s=loop.t0_s + seconds,
        t1_s=loop.t1_s + seconds,
        n0=loop.n0 + frames,
        n1=loop.n1 + frames,
    )
    return replace(tracker, loop=loop, jumps=tracker.jumps + 1)
