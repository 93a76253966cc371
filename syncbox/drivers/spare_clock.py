"""Which of our frames another computer is playing now: two sound cards, two clocks, one wire.

Pure. Two things are measured, each from what can only err to one side:

- `Frames`: a callback is never early, so among the moments at which blocks were asked for,
  those on the lower edge are the true ones. The edge is the side of the lower convex hull
  under the middle of the samples (S. Moon, P. Skelly, D. Towsley, Estimation and removal
  of clock skew from network delay measurements, INFOCOM 1999, cited from memory).
- `Offset`: four time stamps of a question and its answer give the difference of the clocks
  and the delay of the wire (RFC 5905, section 8); of the last ones that with the least
  delay is believed, and less so as it grows older (RFC 5905, section 10).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from syncbox.units import NS_PER_SECOND

WINDOW_NS = 6 * NS_PER_SECOND
_SLOPE_SPAN_NS = 2 * NS_PER_SECOND  # a shorter stretch says nothing of how fast a card runs
_SLOPE_PPM_MAX = 500.0
_PAUSE_NS = NS_PER_SECOND // 2  # without a block: what comes then is counted anew
_EARLY_NS = 2_000_000  # below the edge: the frames were numbered anew
# So many samples in a row that much above it: the same. The device stood still.
_LATE = ((1_000_000, 10), (3_000_000, 4))
_AGEING = 100e-6  # how far two crystals drift apart, at the worst (common practice, no source)
_ANSWERS = 64


@dataclass(frozen=True, slots=True)
class Line:
    """Frame `frame` is asked for at `at_ns`; a frame takes `frame_ns`."""

    frame: int
    at_ns: float
    frame_ns: float

    def frame_at(self, ns: float) -> float:
        """The frame that is asked for at a host time."""
        return self.frame + (ns - self.at_ns) / self.frame_ns

    def late_ns(self, frame: int, ns: int) -> float:
        """How much after its time a block was asked for."""
        return ns - self.at_ns - (frame - self.frame) * self.frame_ns

    def ppm(self, rate: int) -> float:
        """How much faster the card runs than its nominal rate by the host's clock."""
        return (NS_PER_SECOND / rate / self.frame_ns - 1) * 1e6


class Frames:
    """The frames of one device against the clock of its computer."""

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._seen: deque[tuple[int, int]] = deque()  # frame, ns; both ascending
        self._late_in_a_row = [0] * len(_LATE)
        self.line: Line | None = None

    def add(self, frame: int, ns: int) -> None:
        """The block that begins with a frame was asked for at a host time."""
        if self._seen:
            last_frame, last_ns = self._seen[-1]
            if frame == last_frame:
                return
            if frame < last_frame or not 0 < ns - last_ns < _PAUSE_NS:
                self.forget()
        if self.line is not None:
            self._look_for_a_jump(self.line.late_ns(frame, ns))
        self._seen.append((frame, ns))
        while ns - self._seen[0][1] > WINDOW_NS:
            self._seen.popleft()
        self.line = _lower_edge(self._seen, self._rate)

    def _look_for_a_jump(self, late_ns: float) -> None:
        """Begin anew, with what was seen since, where the frames do not fit the clock any more."""
        if late_ns < -_EARLY_NS:
            self.forget()
            return
        for index, (limit_ns, count) in enumerate(_LATE):
            late = late_ns > limit_ns
            self._late_in_a_row[index] = self._late_in_a_row[index] + 1 if late else 0
            if self._late_in_a_row[index] >= count:
                kept = list(self._seen)[1 - count :]
                self.forget()
                self._seen.extend(kept)
                return

    def forget(self) -> None:
        """What was seen belongs to another count of frames."""
        self._seen.clear()
        self._late_in_a_row = [0] * len(_LATE)
        self.line = None

    @property
    def span_ns(self) -> int:
        """How long it has been watched, at most the window."""
        return self._seen[-1][1] - self._seen[0][1] if self._seen else 0


def _lower_edge(seen: deque[tuple[int, int]], rate: int) -> Line:
    """The line under all samples, (frame, ns), that touches them around their middle."""
    nominal = NS_PER_SECOND / rate
    frame0, ns0 = seen[0]
    points = [(frame - frame0, ns - ns0 - (frame - frame0) * nominal) for frame, ns in seen]
    if seen[-1][1] - ns0 >= _SLOPE_SPAN_NS:
        hull: list[tuple[int, float]] = []
        for point in points:
            while len(hull) > 1 and _turns_down(hull[-2], hull[-1], point):
                hull.pop()
            hull.append(point)
        middle = sum(x for x, _ in points) / len(points)
        edge = next(i for i in range(1, len(hull)) if hull[i][0] >= middle)
        (x0, y0), (x1, y1) = hull[edge - 1], hull[edge]
        slope = (y1 - y0) / (x1 - x0)
        if abs(slope) <= nominal * _SLOPE_PPM_MAX / 1e6:
            return Line(frame0 + x0, ns0 + x0 * nominal + y0, nominal + slope)
    x, y = min(points, key=lambda point: point[1])
    return Line(frame0 + x, ns0 + x * nominal + y, nominal)


def _turns_down(a: tuple[int, float], b: tuple[int, float], c: tuple[int, float]) -> bool:
    """Whether b lies on or above the straight way from a to c."""
    return (b[1] - a[1]) * (c[0] - a[0]) >= (c[1] - a[1]) * (b[0] - a[0])


@dataclass(frozen=True, slots=True)
class Difference:
    """The other clock less ours, as of `at_ns` of ours; true to `within_ns` either way."""

    ns: int
    within_ns: int
    at_ns: int


class Offset:
    """The other computer's clock against ours."""

    def __init__(self) -> None:
        self._answers: deque[tuple[int, int, int]] = deque(maxlen=_ANSWERS)  # at, offset, delay

    def add(self, asked_ns: int, heard_ns: int, answered_ns: int, back_ns: int) -> None:
        """A question and its answer; the first and last times are ours, the others theirs."""
        delay_ns = (back_ns - asked_ns) - (answered_ns - heard_ns)
        if delay_ns < 0 or back_ns < asked_ns:
            return  # no honest answer comes before it was asked for
        offset_ns = (heard_ns - asked_ns + answered_ns - back_ns) // 2
        self._answers.append((back_ns, offset_ns, delay_ns))

    def difference(self, now_ns: int) -> Difference | None:
        """What is known now; None before the first answer."""
        best = min(
            (
                (delay // 2 + (now_ns - at) * _AGEING, offset, at)
                for at, offset, delay in self._answers
            ),
            default=None,
        )
        return None if best is None else Difference(best[1], int(best[0]), best[2])

    def forget(self) -> None:
        """Another computer, or the same after a restart."""
        self._answers.clear()
