"""What the engine remembers of the box that it follows.

The leader's clocks are counted along our own clock grid: `run` and `index` are the clock
of ours that its last one stands for. Where nothing of ours is counted (stopped, in a
hold) its clocks are free: they only say how fast and on which grid it goes.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from syncbox.engine.servo import Lock, Servo
from syncbox.score.rig import Rig
from syncbox.units import TICKS_PER_CLOCK, ms_to_frames

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from syncbox.engine.run import LegRun
    from syncbox.schedule.program import CompiledLeg

# Clock, start, continue, stop, song position (MIDI 1.0 Detailed Specification 4.2.1, table V)
LEADER_SAYS = frozenset((0xF8, 0xFA, 0xFB, 0xFC, 0xF2))
HEARD_MAX = 512  # messages of one block; a leader sends a few
_RATIO_PARTS = 2**28  # parts of a ratio: twelve hours of music are then placed to a frame
_FRAME_PARTS = 2**16


class Spot(NamedTuple):
    """A clock of the song that plays or comes next: where the leader will go on."""

    leg_index: int
    round_no: int = 1
    clock: int = 0  # its number in the leg's grid
    ahead: tuple[int, ...] = ()  # clocks from it on that each group of ports has had already
    known: bool = False  # whether receivers stand there
    told_tick: int = -1  # song position of the receivers there; -1: as the song is written
    phase: int = -1  # ticks since the last clock at the leg's start; -1: as the song is written
    song_index: int = -1  # -1: the present song; the next one, if this one has been played


class Leader:
    """One leader. Only `following` changes it, but for `hear`."""

    def __init__(self, rig: Rig, rate: int) -> None:
        assert rig.follow is not None
        self.input = list(rig.input_ports).index(rig.follow)
        self.offset = ms_to_frames(rig.follow_offset_ms, rate=rate)  # ours after its
        self.heard: list[tuple[int, bytes]] = []
        self.servo = Servo(rate)
        self.interval = 0.0  # between two clocks there, in frames of the map
        self.run: LegRun | None = None  # None: its clocks are free
        self.index = 0
        self.grid: NDArray[np.float64] = np.empty(0)  # clocks of `run`, frames of the map
        self.leads = False  # what is playing was started by it
        self.armed = False  # start was pressed: the song waits for it
        self.spot: Spot | None = None  # where it goes on; None: past the song's end
        self.pending = False  # Start or Continue has come: its next clock is `spot`
        self.placed: LegRun | None = None  # what was placed for that, until the clock is there
        self.owed = 0  # clocks heard for legs that are not decided yet
        self.floor = 0  # no event may be moved before this frame
        self.moved = False  # it has said something new about where the clocks are
        self.song_index = -1  # the song that `spot` belongs to
        self.doubled = self.missed = 0
        self.resumed: Servo | None = None  # how it went in another engine, until a clock comes

    def hear(self, frame: int, message: bytes) -> None:
        """One whole message of the leader: clock, start, continue, stop or song position."""
        if len(self.heard) < HEARD_MAX:
            self.heard.append((frame, message))

    @property
    def stands(self) -> tuple[object, ...]:
        """What changes with what it says, but for its clocks; cheap."""
        return self.armed, self.pending, self.spot, self.song_index, self.trusted

    def record(self) -> dict[str, Any]:
        """What another engine needs to go on following, as plain values."""
        servo = self.servo
        return {
            "leads": int(self.leads),
            "armed": int(self.armed),
            "pending": int(self.pending and self.placed is None),
            "song_index": self.song_index,
            "spot": None if self.spot is None else list(self.spot),
            "interval": self.interval,
            "lock": int(servo.lock),
            "ratio": servo.ratio,
            "clocks": servo.clocks,
            "lean": servo.lean,
            "wide": servo.wide,
        }

    def resume(self, record: dict[str, Any], stretch: Fraction) -> None:
        """Go on from another engine's record, at the stretch that holds."""
        self.leads, self.armed = bool(record["leads"]), bool(record["armed"])
        self.pending, self.song_index = bool(record["pending"]), record["song_index"]
        spot = record["spot"]
        self.spot = None if spot is None else Spot(*spot)._replace(ahead=tuple(spot[3]))
        self.interval = record["interval"]
        ratio = float(stretch) if self.leads else record["ratio"]
        self.servo = replace(self.servo, ratio=ratio)
        if self.leads and record["lock"] >= Lock.LOCKED:
            # Its first clock says where it is; how it goes is known.
            known = ("clocks", "lean", "wide")
            known_now = {name: record[name] for name in known}
            self.resumed = replace(self.servo, lock=Lock.LOCKED, known=True, **known_now)

    @property
    def trusted(self) -> bool:
        """Whether its next clock can be foretold."""
        return self.servo.lock is Lock.LOCKED

    @property
    def stretch(self) -> Fraction:
        """What its tempo does to all times."""
        return Fraction(round(self.servo.ratio * _RATIO_PARTS), _RATIO_PARTS)

    @property
    def clock_frame(self) -> Fraction:
        """Where its last clock lies in our own time."""
        return Fraction(round(self.servo.frame * _FRAME_PARTS), _FRAME_PARTS) + self.offset

    def on_grid(self, frame: Fraction) -> Fraction:
        """The first of its clocks that does not lie before an exact frame of ours."""
        if not self.leads or self.interval <= 0 or self.servo.lock is Lock.GONE:
            return frame
        step = Fraction(round(self.interval * _FRAME_PARTS), _FRAME_PARTS) * self.stretch
        return self.clock_frame + -((self.clock_frame - frame) // step) * step

    def stand_on(self, run: LegRun, index: int) -> None:
        """Its last clock is one of ours."""
        if run is not self.run:
            offsets = run.clock_offsets
            assert offsets is not None
            self.run, self.grid = run, offsets.unrounded()
        self.index = index

    def let_go(self) -> None:
        """Its clocks are free from here on."""
        self.run, self.placed, self.owed = None, None, 0
        self.pending = False


def clock_phase(leg: CompiledLeg) -> int:
    """Ticks since the last clock at a leg's start, if the song is played as it is written."""
    return leg.route_tick % TICKS_PER_CLOCK
