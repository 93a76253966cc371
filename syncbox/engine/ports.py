"""What leaves the MIDI ports in a block: the clock grid, timed messages, bursts on a slow wire.

Real-time bytes leave on their frame. Everything else waits in its port's outbox
until the wire is free, and is kept clear of the clock bytes around it, so that a
burst of patches never delays a clock.
"""

from __future__ import annotations

import math
from bisect import insort
from collections import deque
from collections.abc import Sequence
from fractions import Fraction

from syncbox.engine.run import NEVER
from syncbox.midi.messages import is_realtime
from syncbox.midi.wire import BYTE_US
from syncbox.score.rig import MidiPort, Rig, Wire
from syncbox.units import CLOCKS_PER_QUARTER, ms_to_frames, round_half_up

SONG_POSITION = 0xF2
MidiOut = tuple[int, int, bytes, str]  # offset in the block, port, one whole message, why


class Outbox:
    """Messages of one port that wait for the wire."""

    __slots__ = ("byte_millionths", "index", "messages", "played", "shift", "wire_free")

    def __init__(self, index: int, port: MidiPort, rate: int) -> None:
        self.index = index
        self.shift = ms_to_frames(port.offset_ms, rate=rate)
        self.messages: deque[tuple[int, bytes, str]] = deque()  # due frame, message, why
        self.played: deque[tuple[int, bytes, str]] = deque()  # by hand: no planned one delays it
        self.byte_millionths = BYTE_US * rate if port.wire is Wire.DIN else 0  # of a frame
        self.wire_free = 0

    def put(self, frame: int, data: bytes, why: str) -> None:
        """Queue a message for a frame, not before the coming block.

        What waits for a later frame, such as a controller for a patch to be loaded, holds
        nothing up; messages for one frame stay together in their order.
        """
        messages = self.messages
        place = len(messages)
        while place and messages[place - 1][0] > frame:
            place -= 1
        messages.insert(place, (frame, data, why))

    def length_frames(self, byte_count: int) -> int:
        """Frames that bytes occupy the wire, rounded up."""
        return -(-byte_count * self.byte_millionths // 1_000_000)


class FreeClock:
    """The clock grid while no music is counted: at the tempo of what comes, up to a limit.

    Stretches follow each other; legs are decided ahead, so the next stretch may be
    known before the present one is over. All but the last have an end.
    """

    __slots__ = ("stretches",)

    def __init__(self) -> None:
        self.stretches: list[FreeStretch] = []

    def begin(self, first: Fraction, interval: Fraction) -> None:
        """Forget what was planned: clocks from an exact frame on, `interval` exact frames apart."""
        self.stretches = [FreeStretch(first, interval)]

    def add(self, first: Fraction, interval: Fraction) -> None:
        """Another stretch, after the end of the last one."""
        self.stretches.append(FreeStretch(first, interval))

    def end_at(self, frame: int) -> None:
        """The last stretch ends at a frame, unless its end is known already."""
        last = self.stretches[-1]
        if last.until == NEVER:
            last.until = frame

    def drop_from(self, frame: int) -> None:
        """Forget stretches that were to begin at a frame or later."""
        self.stretches = [
            stretch
            for number, stretch in enumerate(self.stretches)
            if number == 0 or stretch.frame < frame
        ]

    def steer(self, clock: float, interval: float) -> None:
        """The stretch that runs joins a leader whose clocks lie at `clock` and every `interval`.

        The next clock moves by at most half an interval, and comes no sooner than that
        after the last one.
        """
        stretch = self.stretches[0]
        earliest = float(stretch.next) - interval / 2
        count = max(1, math.ceil((earliest - clock) / interval))
        stretch.next = Fraction(clock + count * interval)
        stretch.interval = Fraction(interval)
        stretch.frame = round_half_up(stretch.next)

    def move(self, frames: int) -> None:
        """What was planned after the present stretch comes so much later."""
        stretches = self.stretches
        for stretch in stretches[1:]:
            stretch.next += frames
            stretch.frame += frames
        for stretch in stretches:
            stretch.until += frames if stretch.until != NEVER else 0

    def advance(self) -> None:
        """The next clock has been sent."""
        self.stretches[0].advance()

    @property
    def due(self) -> int:
        """Frame of the next clock, or NEVER."""
        while self.stretches and self.stretches[0].frame >= self.stretches[0].until:
            if len(self.stretches) == 1:
                return NEVER
            self.stretches.pop(0)
        return self.stretches[0].frame if self.stretches else NEVER


class FreeStretch:
    """Evenly spaced clocks from `next` on, before the frame `until`."""

    __slots__ = ("frame", "interval", "next", "until")

    def __init__(self, first: Fraction, interval: Fraction) -> None:
        self.next, self.interval, self.until = first, interval, NEVER
        self.frame = round_half_up(first)

    def advance(self) -> None:
        self.next += self.interval
        self.frame = round_half_up(self.next)


def clock_interval(tempo_qpm: Fraction, rate: int) -> Fraction:
    """Exact frames from one clock to the next at a tempo."""
    return Fraction(60 * rate) / (tempo_qpm * CLOCKS_PER_QUARTER)


class ClockGroup:
    """Ports that get the clock at the same frames."""

    __slots__ = ("before", "free", "ports", "ports_when_stopped", "sent", "shift")

    def __init__(self, shift: int, ports: tuple[int, ...], when_stopped: tuple[int, ...]) -> None:
        self.shift = shift
        self.ports = ports
        self.ports_when_stopped = when_stopped
        self.sent: list[int] = []  # frames of the clocks in the present block
        self.before = -NEVER  # the last clock before it, which may still push a message on
        self.free: list[int] = []  # frames of clocks of the free grid that are still to leave


def clock_groups(rig: Rig, rate: int) -> list[ClockGroup]:
    """One group for each port offset in use."""
    by_shift: dict[int, list[int]] = {}
    for index, port in enumerate(rig.ports):
        if port.clock:
            by_shift.setdefault(ms_to_frames(port.offset_ms, rate=rate), []).append(index)
    return [
        ClockGroup(shift, tuple(ports), tuple(p for p in ports if rig.ports[p].clock_when_stopped))
        for shift, ports in by_shift.items()
    ]


class Timed:
    """Messages for exact frames, such as Start before its downbeat. Few at a time."""

    __slots__ = ("_order", "rows")

    def __init__(self) -> None:
        self.rows: list[tuple[int, int, int, bytes, str]] = []  # frame, order, port, message, why
        self._order = 0

    def add(self, frame: int, port: int, data: bytes, why: str, *, ahead: bool = False) -> None:
        """A message for a frame, after what is there for that frame, or ahead of it."""
        self._order += 1
        insort(self.rows, (frame, -self._order if ahead else self._order, port, data, why))

    def clear(self) -> None:
        self.rows.clear()

    def move(self, frames: int, floor: int) -> None:
        """Everything leaves so much later, but not before the frame `floor`. Keeps the order."""
        self.rows = [(max(floor, row[0] + frames), *row[1:]) for row in self.rows]

    def drop_from(self, frame: int, shifts: Sequence[int]) -> None:
        """Forget what was to leave at a frame or later; a port's own shift is no reason."""
        self.rows = [row for row in self.rows if row[0] - shifts[row[2]] < frame]


def flush(outbox: Outbox, first: int, end: int, clocks: list[int], midi: list[MidiOut]) -> None:
    """Send what is due in [first, end): one message after the other, clear of the clocks.

    `clocks` are the frames of this port's clocks in the block and of the next one, ascending.
    """
    while True:
        start, queue = NEVER, outbox.messages
        for waiting in (outbox.messages, outbox.played):
            if waiting and (earliest := _free_slot(outbox, waiting[0], first, clocks)) <= start:
                start, queue = earliest, waiting
        if start >= end:
            return
        _, data, why = queue.popleft()
        outbox.wire_free = start + outbox.length_frames(len(data))
        midi.append((start - first, outbox.index, data, why))


def _free_slot(
    outbox: Outbox, message: tuple[int, bytes, str], first: int, clocks: list[int]
) -> int:
    """The first frame at which a message can leave."""
    start = max(message[0], outbox.wire_free, first)
    length = outbox.length_frames(len(message[1]))
    byte = outbox.length_frames(1)
    for clock in clocks:
        if start - byte < clock < start + length:
            start = clock + byte
    return start


def in_sending_order(message: MidiOut) -> tuple[int, bool]:
    """Sort key: by frame, real-time bytes first, and with them the position that Continue is for.

    After a lost block all of them may leave on one frame.
    """
    data = message[2]
    return message[0], not (is_realtime(data) or data[0] == SONG_POSITION)
