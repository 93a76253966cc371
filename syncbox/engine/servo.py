"""Following another box's clock: a pure step from one clock to the next.

The song's own tempo map says how far apart two clocks are meant to be; the loop only
learns what the leader makes of it: `ratio`, the leader's times over the map's, and
where its last clock really belongs. A ramp that both know is therefore followed
without any error, and jitter is filtered. No clock is read here, so the arrivals of
a whole night can be played through it again.

The loop is of second order, with the coefficients of F. Adriaensen, "Using a DLL to
filter time", Linux Audio Conference 2005: w = 2 pi B T, b = sqrt(2) w, c = w squared. It
is wide while it locks and narrow when it has, and at first it weighs each clock as a
straight line through all clocks so far would. Lock is earned by a quarter note of good
clocks and lost by a gap; a gap is bridged at the last tempo.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import IntEnum

BANDWIDTH_LOCKING_HZ = 1.0
BANDWIDTH_LOCKED_HZ = 0.2
ANGLE_MAX = 0.5  # w of one step, so that a wide gap between clocks does not overshoot

GOOD_S = 0.007  # a clock nearer than this to where it was expected is a good one
GOOD_CLOCKS = 24  # in a row, a quarter note, before the lock is earned
FAR_CLOCKS = 3  # not good ones in a row, on the same side: the tempo has jumped
LEANING_S = 0.002  # errors that lean this far to one side are not jitter: the loop widens
LEANING_CLOCKS = 12  # over about so many clocks
WIDE_CLOCKS = 24  # so long it stays wide then
MAP_CLOCKS = 8  # the map's own tempo counts as much as so many clocks
JUMP_CLOCKS = 2  # after a jump the tempo before it counts as much as so many

GAP_INTERVALS = 2.5  # no clock for so many intervals is a gap
BRIDGE_S = 2.0  # a gap of this length is bridged; after it the leader is gone
RATIO_MIN, RATIO_MAX = 0.4, 2.5


class Lock(IntEnum):
    """How well the leader is known. The numbers go through shared memory."""

    GONE = 0  # no clock comes
    LISTENING = 1  # clocks come, but not yet enough good ones
    LOCKED = 2
    BRIDGING = 3  # clocks are missing; the last tempo goes on


@dataclass(frozen=True, slots=True)
class Servo:
    """What is known of the leader at its last clock. Frames are not rounded."""

    rate: int
    frame: float = 0.0  # where the last clock belongs
    heard: float = 0.0  # where it arrived
    ratio: float = 1.0  # leader's times over the map's: above 1 is slower
    lock: Lock = Lock.GONE
    clocks: int = 0  # that the estimate rests on
    good: int = 0  # in a row
    far: int = 0  # not good ones in a row: positive if they were late, negative if early
    lean: float = 0.0  # smoothed error in frames
    wide: int = 0  # clocks for which the loop stays wide
    known: bool = False  # lock has been earned and the tempo has not jumped since
    error: float = 0.0  # of the last clock, in frames: arrival minus expectation

    def expected(self, span: float) -> float:
        """The frame of a clock that lies `span` frames of the map after the last one."""
        return self.frame + span * self.ratio


def begun(servo: Servo, arrival: float) -> Servo:
    """The first clock, or the first after a long silence. The ratio stays as a first guess."""
    return Servo(servo.rate, arrival, arrival, servo.ratio, Lock.LISTENING, MAP_CLOCKS)


def missing(servo: Servo, arrival: float, interval: float) -> int:
    """How many clocks were lost just before this one; -1 if this one is a double.

    `interval` is from one clock to the next in frames of the map. A clock counts as
    lost only if both the expectation and the time since the last arrival say so: a
    leader that suddenly plays slower loses none. While the tempo is not known, every
    clock counts.
    """
    if not servo.known:
        return 0
    step = interval * servo.ratio
    since, error = arrival - servo.heard, arrival - servo.expected(interval)
    if error < -step / 2 and since < step / 2:
        return -1
    return max(0, min(math.floor(error / step + 0.5), math.floor(since / step + 0.5) - 1))


def step(servo: Servo, arrival: float, span: float, count: int = 1) -> Servo:
    """The next clock: it arrived at a frame, `span` frames of the map after the last one.

    `count` clocks lie in that span; after a gap the one that comes weighs no more than any.
    """
    error = arrival - servo.expected(span)
    good = abs(error) < GOOD_S * servo.rate
    far = 0 if good else max(1, servo.far + 1) if error > 0 else min(-1, servo.far - 1)
    good_count = servo.good + 1 if good else 0
    lean = servo.lean + (error - servo.lean) / LEANING_CLOCKS
    clocks, lock = servo.clocks, servo.lock
    if abs(far) >= FAR_CLOCKS:
        clocks, lock, far, lean, good_count = JUMP_CLOCKS, Lock.LISTENING, 0, 0.0, 0
    elif lock is Lock.LOCKED or good_count >= GOOD_CLOCKS:
        lock = Lock.LOCKED
    else:
        lock = Lock.LISTENING
    leans = lock is not Lock.LOCKED or abs(lean) > LEANING_S * servo.rate
    wide = WIDE_CLOCKS if leans else max(0, servo.wide - 1)
    to_phase, to_ratio = gains(span / count * servo.ratio / servo.rate, clocks, wide=wide > 0)
    ratio = servo.ratio + to_ratio * error / span
    return Servo(
        rate=servo.rate,
        frame=arrival - error + to_phase * error,
        heard=arrival,
        ratio=min(max(ratio, RATIO_MIN), RATIO_MAX),
        lock=lock,
        clocks=clocks + 1,
        good=good_count,
        far=far,
        lean=lean,
        wide=wide,
        known=lock is Lock.LOCKED or (servo.known and clocks != JUMP_CLOCKS),
        error=error,
    )


def gains(period_s: float, clocks: int, *, wide: bool) -> tuple[float, float]:
    """How much of an error moves the phase and the period, `clocks` after the beginning.

    Written for a phase that is corrected before the period is added, so b - c stands for
    the b of the paper. A straight line through n clocks weighs the next one by
    2 (2n + 1) / ((n + 1) (n + 2)) and 6 / ((n + 1) (n + 2)) (least squares).
    """
    bandwidth_hz = BANDWIDTH_LOCKING_HZ if wide else BANDWIDTH_LOCKED_HZ
    w = min(ANGLE_MAX, 2 * math.pi * bandwidth_hz * period_s)
    b, c = math.sqrt(2) * w, w * w
    square = (clocks + 1) * (clocks + 2)
    return max(b - c, 2 * (2 * clocks + 1) / square), max(c, 6 / square)


def waited(servo: Servo, frame: float, interval: float) -> Servo:
    """Nothing has come up to a frame; `interval` is between clocks, in frames of the map."""
    silence = frame - servo.heard
    if silence > BRIDGE_S * servo.rate:
        return servo if servo.lock is Lock.GONE else replace(servo, lock=Lock.GONE, good=0)
    if servo.lock is Lock.LOCKED and silence > GAP_INTERVALS * interval * servo.ratio:
        return replace(servo, lock=Lock.BRIDGING, good=0)
    return servo
