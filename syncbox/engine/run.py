"""One leg being played: its events at their frames, in order, with a place marker in each list."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.schedule.place import ONE, Offsets
from syncbox.schedule.program import CompiledLeg, Event
from syncbox.units import TICKS_PER_CLOCK, round_half_up

NEVER = 2**62  # a frame that does not come


class LegRun:
    """A round of a leg placed at an exact start. An open end (a hold that waits) is NEVER.

    `first_tick` leaves out what lies before it, for a start in the middle; the
    leg's start then lies before the music begins. Frames are ascending.
    """

    __slots__ = (
        "bar_frames",
        "clock_frames",
        "clock_positions",
        "end",
        "end_frame",
        "ends_song",
        "event_frames",
        "events",
        "first_clock",
        "first_tick",
        "jumped",
        "leg",
        "leg_index",
        "next_event",
        "order",
        "phase",
        "position",
        "round_no",
        "song_index",
        "start",
        "start_frame",
        "started",
        "stretch",
        "told_tick",
    )

    def __init__(
        self,
        place: tuple[int, int, int],
        leg: CompiledLeg,
        start: Fraction,
        phase: int,
        *,
        first_tick: int = 0,
        clock_groups: int = 0,
        stretch: Fraction = ONE,
    ) -> None:
        """A round of a leg; `place` is (song index, leg index, round).

        `start` is where tick 0 lies in exact frames; `stretch` multiplies all times, 1 at
        the written tempo. A hold's seconds are not stretched.
        """
        self.song_index, self.leg_index, self.round_no = place
        self.leg = leg
        self.start = start
        self.phase = phase
        self.stretch = stretch = stretch if leg.ticks else ONE
        frames = leg.event_offsets.frames(start, stretch) + leg.event_shifts
        order = np.argsort(frames, kind="stable")
        if first_tick:
            order = order[leg.event_ticks[order] >= first_tick]
        self.order: list[int] = order.tolist()
        self.event_frames: list[int] = frames[order].tolist()
        self.events = leg.events
        self.position = 0
        self.next_event = self.event_frames[0] if self.event_frames else NEVER
        self.clock_frames: NDArray[np.int64] | None = None
        self.first_clock = 0
        if leg.clock_offsets:
            phase = phase if leg.counted else 0
            self.clock_frames = leg.clock_offsets[phase].frames(start, stretch)
            self.first_clock = int(np.searchsorted(leg.clock_ticks[phase], first_tick))
        self.clock_positions = [self.first_clock] * clock_groups
        self.bar_frames: list[int] = leg.bar_offsets.frames(start, stretch).tolist()
        waits = leg.until_cue and leg.ticks == 0
        self.end: Fraction | None = None if waits else start + leg.length * stretch
        self.end_frame = NEVER if self.end is None else round_half_up(self.end)
        self.start_frame = round_half_up(start)
        if first_tick:
            self.start_frame = self._first_frame(first_tick)
        self.first_tick = first_tick
        self.told_tick = 0  # song position of the receivers at tick 0
        self.started = False
        self.jumped = False  # a person wanted it here, out of the written order
        self.ends_song = False  # nothing of this song comes after it

    def _first_frame(self, first_tick: int) -> int:
        """Where the music begins: the first bar line or, between bar lines, the first clock."""
        bars = zip(self.bar_frames, self.leg.bars, strict=True)
        frames = [frame for frame, (_, tick) in bars if tick >= first_tick][:1]
        if self.clock_frames is not None:
            frames += self.clock_frames[self.first_clock :][:1].tolist()
        return min(frames)

    @property
    def clock_offsets(self) -> Offsets | None:
        """Where the clocks fall in the leg; None for a leg without a grid."""
        if not self.leg.clock_offsets:
            return None
        return self.leg.clock_offsets[self.phase if self.leg.counted else 0]

    def move(self, start: Fraction, stretch: Fraction, floor: int) -> None:
        """Play on from another start at another stretch: a leader has moved the time.

        What has been handed out stays handed out, and each list goes on where it was.
        Nothing that is still to come is placed before the frame `floor`.
        """
        leg, clocks = self.leg, self.clock_offsets
        stretch = stretch if leg.ticks else ONE
        if self.end is not None:
            self.release(start + (self.end - self.start) / self.stretch * stretch)
        self.start, self.stretch = start, stretch
        self.bar_frames = leg.bar_offsets.frames(start, stretch).tolist()
        if clocks is not None and self.clock_frames is not None:
            frames = clocks.frames(start, stretch)[: len(self.clock_frames)]
            self.clock_frames = np.maximum(frames, floor)
        if not self.started:
            bar_frame = (
                round_half_up(start) if not self.first_tick else self._first_frame(self.first_tick)
            )
            self.start_frame = max(bar_frame, floor)
        left = self.order[self.position :]
        if left:
            frames = leg.event_offsets.frames(start, stretch)[left] + leg.event_shifts[left]
            frames = np.maximum(frames, floor)
            order = np.argsort(frames, kind="stable")
            self.order[self.position :] = [left[number] for number in order]
            self.event_frames[self.position :] = frames[order].tolist()
            self.next_event = self.event_frames[self.position]

    def release(self, end: Fraction) -> None:
        """Close an open end."""
        self.end = end
        self.end_frame = round_half_up(end)

    def cut(self, end: Fraction) -> None:
        """End the leg at an exact frame that is still to come; what lies later is left out."""
        self.release(end)
        self.ends_song = False
        keep = bisect_left(self.event_frames, self.end_frame, lo=self.position)
        del self.event_frames[keep:], self.order[keep:]
        if self.position >= keep:
            self.next_event = NEVER
        if self.clock_frames is not None:
            self.clock_frames = self.clock_frames[
                : np.searchsorted(self.clock_frames, self.end_frame)
            ]

    def lines(self) -> Iterator[tuple[int, int]]:
        """Frame and tick of every bar line that is played in this run."""
        for frame, (_, tick) in zip(self.bar_frames, self.leg.bars, strict=True):
            if tick >= self.first_tick and frame < self.end_frame:
                yield frame, tick

    def line_frame(self, index: int) -> int:
        """Frame of a bar line of the leg, or of its end for the index after the last."""
        return self.bar_frames[index] if index < len(self.bar_frames) else self.end_frame

    def pass_over(self, frame: int, shifts: list[int]) -> None:
        """What lies before a frame has been handed out; `shifts` are those of the clock groups."""
        self.position = bisect_left(self.event_frames, frame)
        done = self.position >= len(self.event_frames)
        self.next_event = NEVER if done else self.event_frames[self.position]
        if self.clock_frames is not None:
            for group, shift in enumerate(shifts):
                passed = int(np.searchsorted(self.clock_frames, frame - shift))
                self.clock_positions[group] = max(self.first_clock, passed)

    def exact_bar(self, index: int) -> Fraction:
        """Exact frame of a bar line of the leg, or of its end for the index after the last."""
        if index < len(self.bar_frames):
            return self.start + self.leg.bar_offsets.exact(index, self.stretch)
        assert self.end is not None
        return self.end

    def phase_after(self) -> int:
        """Ticks since the last clock at the end of this round."""
        return (self.phase + self.leg.ticks) % TICKS_PER_CLOCK

    def next_clock(self, group: int) -> int:
        """Frame of the next clock for a group of ports, or NEVER."""
        position = self.clock_positions[group]
        if self.clock_frames is None or position >= len(self.clock_frames):
            return NEVER
        return int(self.clock_frames[position])

    def take(self) -> Event:
        """The event at `next_event`; moves on."""
        event = self.events[self.order[self.position]]
        self.position += 1
        done = self.position >= len(self.event_frames)
        self.next_event = NEVER if done else self.event_frames[self.position]
        return event
