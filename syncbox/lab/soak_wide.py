"""Nights with all that a stage has: pads, zones, time code, patches by hand, a leader, cables.

Seeds below WIDE_FROM are the nights of `soak`, the others have this as well: keyboards
whose zones change while keys are held, patches that wait for the hands, a patch chosen by
hand, cables that are pulled and plugged in again and noticed late, sticks and taps, and
in every third night another box that leads, with clocks that jitter, are lost, stop and
change their tempo. Two invariants come on top:

transport   port 0 is started while it stands only, and told positions only then
time code   quarter frames follow each other piece by piece until a Full Message comes

With a leader the written tempo map is not what is played, so clicks, grid, clocks and bar
lines are not judged there.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from syncbox.engine.override import choice
from syncbox.engine.returning import NOT_KNOWN, Refresh, refresh
from syncbox.engine.run import LegRun
from syncbox.engine.transport import Command, packed
from syncbox.lab.soak import BLOCK_FRAMES, RATE, Night
from syncbox.lab.soak_show import widened
from syncbox.schedule.program import PatchOut
from syncbox.score.rig import Show

WIDE_FROM = 100_000  # the first seed of these nights
_SECONDS = 25
_LATE_FRAMES = RATE // 2  # the host notices a connection so late
_HAND_FRAMES = RATE // 4  # a press so long before a section is as good as in it
_OF_THE_MAP = ("clicks", "grid", "clocks", "bar lines")
_CODE_GAP_FRAMES = 750  # quarter frames are at most 500 frames apart
_BOX_JITTER_FRAMES = 90


class WideNight(Night):
    """One of them."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.led = self.program.rig.follow is not None
        self.running: bool | None = None  # what port 0 believes; None: not known
        self.code_before: tuple[int, int] | None = None  # frame and piece
        self.gone: dict[int, int] = {}  # port: when it is there again
        self.to_tell: list[tuple[int, int, int]] = []  # at this frame, port, there since
        self.by_hand: dict[int, tuple[int, int, list[object]]] = {}  # patch, frame, sections
        self.box_frame, self.box_interval = 5000.0, 1000.0

    def show(self) -> Show:
        return widened(super().show(), self.random)

    def clips(self) -> dict[str, np.ndarray[Any, Any]]:
        return {"hit.wav": np.zeros((1, 100), dtype=np.float32)}

    def fails(self, what: str, why: str) -> None:
        if not (self.led and what in _OF_THE_MAP):
            super().fails(what, why)

    # --- what happens ---------------------------------------------------------------------

    def trouble(self) -> None:
        super().trouble()
        chance, state, first = self.random.random(), self.state, self.state.next_frame
        if self.led:
            self.box()
        for row in [row for row in self.to_tell if row[0] <= first]:
            self.to_tell.remove(row)
            state.press(packed(Command.REFRESH_PORT, refresh(row[1], Refresh.WHOLE, row[2])))
            self.asked_until = max(self.asked_until, first + RATE)
        if chance < 0.004:
            self.pull_a_cable(first)
        elif chance < 0.012:
            self.choose_a_patch(first)
        elif chance < 0.014:
            state.input_gone(0)
            self.keys_down.clear()
        elif chance < 0.024:
            other = (Command.HIT_STICK, Command.TAP_TEMPO, Command.PLAY_PAD, Command.MUTE_MIX)
            state.press(packed(self.random.choice(other), 0))
            self.asked_until = max(self.asked_until, first + RATE // 2)

    def leave(self) -> None:
        """Every cable is plugged in again."""
        self.gone.clear()
        for _, port, _ in self.to_tell:
            self.state.press(packed(Command.REFRESH_PORT, refresh(port, Refresh.WHOLE)))
            self.asked_until = max(self.asked_until, self.state.next_frame + RATE)
        self.to_tell.clear()

    def pull_a_cable(self, first: int) -> None:
        """A port hears nothing for a while; the host notices late that it is back."""
        port = self.random.randrange(len(self.program.rig.ports))
        if port in self.gone or any(row[1] == port for row in self.to_tell):
            return
        back = first + self.random.randrange(3 * RATE)
        since = back if self.random.random() < 0.7 else NOT_KNOWN
        self.gone[port] = back
        self.to_tell.append((back + self.random.randrange(_LATE_FRAMES), port, since))
        self.asked_until = max(self.asked_until, back + RATE + _LATE_FRAMES)
        if port == 0:
            self.segment = self.running = None
        self.code_before = None

    def choose_a_patch(self, first: int) -> None:
        number = self.random.randrange(len(self.program.rig.instruments))
        patch = self.random.randrange(100)
        self.state.press(packed(Command.SELECT_PATCH, choice(number, patch)))
        decided = [_section(run) for run in (self.state.tail,) if run is not None]
        self.by_hand[number] = patch, first, [self.section(), *decided]
        self.asked_until = max(self.asked_until, first + RATE // 2)

    def section(self) -> object:
        """The section that has begun last."""
        return _section(self.begun[-1].run) if self.begun else None

    def box(self) -> None:
        """The leader's messages of the coming block."""
        state, first = self.state, self.state.next_frame
        index = list(self.program.rig.input_ports).index("box")
        self.box_frame = max(self.box_frame, first - 1000.0)
        while self.box_frame < first + BLOCK_FRAMES:
            late = self.random.uniform(0, _BOX_JITTER_FRAMES)
            offset = min(max(0, int(self.box_frame + late) - first), BLOCK_FRAMES - 1)
            if self.random.random() > 0.002:
                state.hear(offset, index, b"\xf8")
            self.box_frame += self.box_interval
        chance = self.random.random()
        if chance < 0.01:
            said = self.random.choice((b"\xfa", b"\xfa", b"\xfb", b"\xfc"))
            state.hear(self.random.randrange(BLOCK_FRAMES), index, said)
        elif chance < 0.013:
            place = self.random.randrange(100)
            state.hear(self.random.randrange(BLOCK_FRAMES), index, bytes((0xF2, place, 0)))
        elif chance < 0.015:
            self.box_frame += self.random.uniform(0, 3 * RATE)
        elif chance < 0.018:
            self.box_interval = self.random.uniform(600, 1800)
        if chance < 0.018:
            self.asked_until = max(self.asked_until, first + RATE // 2)

    def die(self, blocks: int) -> None:
        self.running = False  # the host sends Stop to every port
        self.code_before = None
        for port in self.gone:
            self.gone[port] = min(self.gone[port], self.state.next_frame)
        missed = {port for _, port, _ in self.to_tell}
        self.to_tell.clear()
        super().die(blocks * self.random.choice((1, 1, 4)))
        for port in missed:  # not connected when the engine died, as the host knows
            self.state.press(packed(Command.REFRESH_PORT, refresh(port, Refresh.WHOLE)))

    def block(self, *, calm: bool = False) -> None:
        before = self.state.next_frame
        super().block(calm=calm)
        if self.state.next_frame != before + BLOCK_FRAMES:
            self.code_before = None

    # --- what must hold -------------------------------------------------------------------

    def hear(self, frame: int, port: int, data: bytes, why: str) -> None:
        if frame < self.gone.get(port, 0):
            return
        self.gone.pop(port, None)
        super().hear(frame, port, data, why)
        if data[0] == 0xF1:
            self.judge_code(frame, data[1] >> 4)
        elif why == "time code":
            self.code_before = None

    def hear_transport(self, frame: int, why: str) -> None:
        super().hear_transport(frame, why)
        if why in ("start", "continue"):
            if self.running:
                self.fails("transport", f"{why} at {frame} while it runs")
            self.running = True
        elif why == "stop":
            self.running = False
        elif why == "song position" and self.running:
            self.fails("transport", f"a position at {frame} while it runs")

    def judge_code(self, frame: int, piece: int) -> None:
        before, self.code_before = self.code_before, (frame, piece)
        follows = before is not None and frame - before[0] < _CODE_GAP_FRAMES
        if follows and before is not None and piece != (before[1] + 1) % 8:
            self.fails("time code", f"piece {piece} at {frame} after {before[1]}")

    def is_right(self, number: int, patch: PatchOut, program: int | None) -> bool:
        if super().is_right(number, patch, program):
            return True
        chosen, frame, sections = self.by_hand.get(number, (-1, 0, []))
        here = self.section() in sections or frame > self.begun[-1].begins - _HAND_FRAMES
        return here and chosen == program


def _section(run: LegRun) -> object:
    return run.song_index, run.leg.section_index, run.leg.pass_no


def broken_in(seed: int, *, seconds: int = _SECONDS) -> list[str]:
    """Invariants that did not hold in the night of a seed; empty when all is well."""
    night = Night(seed) if seed < WIDE_FROM else WideNight(seed)
    night.play(seconds * RATE // BLOCK_FRAMES)
    return night.broken
