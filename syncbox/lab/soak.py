"""Nights that go wrong on purpose: a seed makes a show, presses and faults, and it is judged.

Everything follows from the seed: songs, who presses what and when, lost blocks, engines
that die and are followed by another, ports that come back, keys that are struck twice
or let go without a word. Sound is left out, so that thousands of nights are an hour's
work. `soak_wide.broken_in(seed)` says which invariants did not hold:

clicks      no click is more than a frame off the grid of the written tempo map
grid        every leg begins where the one before it ended
clocks      between Start or Continue and Stop there is one clock for each 24th of a quarter
bar lines   the first clock after Start or Continue is a bar line
patches     after every join the instruments have what playing from the start had given them
notes       when everything is left, no note and no pedal is held
set clock   time gone and left make a total that changes only when something is not as usual,
            and after the trouble the set ends when the clock says (see `soak_set`)
"""

from __future__ import annotations

import json
import random
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from syncbox.audio.voices import click_voices
from syncbox.drivers.set_clock import SetClock
from syncbox.drivers.simulated import Device, Faults, VirtualClock
from syncbox.engine.place import PlaceWriter, restore
from syncbox.engine.rejoin import replay
from syncbox.engine.render import render_block
from syncbox.engine.returning import Refresh, refresh
from syncbox.engine.run import LegRun
from syncbox.engine.state import EngineState, engine_state
from syncbox.engine.transport import Command, packed
from syncbox.lab.soak_set import SetWatch, plays_out
from syncbox.lab.soak_show import made_up_show
from syncbox.schedule.clicks import VOICES
from syncbox.schedule.compile import compile_show
from syncbox.schedule.program import PatchOut, SoundStart
from syncbox.score.layout import Route, lay_out
from syncbox.score.rig import Show
from syncbox.units import TICKS_PER_CLOCK

RATE = 48_000
BLOCK_FRAMES = 1024
_PLAYED_OUT = 4  # in every so many nights the set is played out to its end afterwards
_GRACE_FRAMES = RATE // 2  # patches that a late press asked for are on the wire for so long
_PRESSES = (
    *(Command.START,) * 6,
    *(Command.CUE,) * 4,
    *(Command.JUMP_AT_BAR, Command.JUMP_AT_END, Command.REPEAT_SECTION) * 2,
    *(Command.TEMPO_UP, Command.TEMPO_DOWN, Command.TEMPO_TRIM),
    *(Command.STOP, Command.STOP_AT_BAR, Command.NEXT_SONG, Command.PREVIOUS_SONG),
    *(Command.PANIC, Command.MUTE_CLICK, Command.LOUDER, Command.SOFTER),
)


class Ears:
    """In place of the mixer: notes where clicks begin, and makes no sound."""

    def __init__(self, state: EngineState) -> None:
        self._state, self._mixer = state, state.mixer
        self.clicks: list[int] = []
        self.level_db, self.click_muted = -12.0, False

    def start(self, event: SoundStart, delay: int, late_frames: int = 0) -> None:
        if event.clip < len(VOICES):
            self.clicks.append(self._state.next_frame + delay - late_frames)

    def mute_click(self) -> None:
        self.click_muted = not self.click_muted

    def shots(self, first_clip: int) -> list[Any]:
        del first_clip
        return []

    def render(self, frame_count: int) -> Any:
        del frame_count
        return self._mixer.out[:, :0]

    def __getattr__(self, name: str) -> Any:
        value = getattr(self._mixer, name)
        return (lambda *_, **__: None) if callable(value) else value


@dataclass
class Begun:
    """A leg that has begun: what the written song says of it. Frames of clicks and clocks."""

    run: LegRun
    begins: int
    clicks: np.ndarray[Any, Any]
    clocks: np.ndarray[Any, Any]
    bars: np.ndarray[Any, Any]


@dataclass
class Night:
    """One night in the making."""

    seed: int
    broken: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)
        show = self.show()
        self.songs = [show.songs[entry.song_id] for entry in show.set_list.entries]
        self.routes: list[Route] = [lay_out(song) for song in self.songs]
        self.program = compile_show(show, RATE, self.clips(), click_voices(RATE))
        self.set_watch = SetWatch(SetClock(show, self.program.songs), RATE)
        faults = Faults(
            self.seed,
            drift_ppm=self.random.uniform(-200, 200),
            jitter_us=200,
            stall_chance=self.random.choice([0, 0, 0.002, 0.01]),
            stall_ms_max=self.random.choice([30, 200]),
        )
        self.device = Device(VirtualClock(), RATE, BLOCK_FRAMES, faults)
        self.begun: list[Begun] = []
        self.unsettled_until = 0  # a frame; until then patches may still be on their way
        self.asked_until = 0  # the same for what a press has asked for
        self.heard_until = -1
        self.patches: dict[tuple[int, int], int] = {}  # (port, channel): program
        self.sounding: set[tuple[int, int, int]] = set()  # (port, status channel, note)
        self.held: set[tuple[int, int]] = set()  # pedals down
        self.segment: list[int] | None = None  # clocks since Start or Continue on port 0
        self.segment_from = 0
        self.keys_down: list[int] = []
        self.engine(engine_state(self.program, soft_start=False))

    def show(self) -> Show:
        """What is on tonight."""
        return made_up_show(self.random)

    def clips(self) -> dict[str, np.ndarray[Any, Any]]:
        """Sounds of the show."""
        return {}

    def engine(self, state: EngineState) -> None:
        """Play with this engine from now on."""
        self.state, self.place = state, PlaceWriter()
        self.last_place = json.dumps({})
        self.ears = Ears(state)
        state.mixer = self.ears  # type: ignore[assignment]

    # --- what happens ---------------------------------------------------------------------

    def play(self, blocks: int) -> None:
        """So many blocks with everything that goes wrong in them; then everybody leaves."""
        for _ in range(blocks):
            self.block()
            if self.broken:
                return
        self.leave()
        if self.seed % _PLAYED_OUT == 0:
            plays_out(self)
        self.state.input_gone(0)
        self.state.press(Command.QUIT)
        for _ in range(40):
            self.block(calm=True)
        if self.sounding or self.held:
            self.fails("notes", f"held at the end: {self.sounding or self.held}")

    def leave(self) -> None:
        """What happens before everybody leaves."""

    def block(self, *, calm: bool = False) -> None:
        state = self.state
        lost = self.device.next_block()
        if lost:
            state.skip_to(state.next_frame + lost)
            self.set_watch.disturbed()
            self.unsettled_until = state.next_frame + 2 * RATE
        presses = len(self.state.presses)
        if not calm:
            self.trouble()
        state = self.state
        if len(state.presses) != presses:
            self.set_watch.disturbed()
        first = state.next_frame
        block = render_block(state, first, BLOCK_FRAMES)
        said = self.place(state)
        self.last_place = said.decode() if said else self.last_place
        if why := self.set_watch.look(state):
            self.fails("set clock", why)
        self.judge(first, [(first + o, port, data, why) for o, port, data, why in block.midi])

    def trouble(self) -> None:
        """Presses, keys and faults of this block."""
        chance, state = self.random.random(), self.state
        if chance < 0.03:
            command = self.random.choice(_PRESSES)
            sections = len(state.song.sections)
            argument = {
                Command.TEMPO_TRIM: self.random.randint(-100, 100),
                Command.JUMP_AT_BAR: self.random.randrange(sections),
                Command.JUMP_AT_END: self.random.randrange(sections),
            }.get(command, 0)
            for _ in range(self.random.choice([1, 1, 1, 2])):  # some press twice
                state.press(packed(command, argument))
            self.asked_until = max(self.asked_until, state.next_frame + _GRACE_FRAMES)
        elif chance < 0.033:
            port = self.random.randrange(len(self.program.rig.ports))
            state.press(packed(Command.REFRESH_PORT, refresh(port, Refresh.WHOLE)))
        elif chance < 0.035 and len(self.last_place) > 2:
            self.die(self.random.randrange(1, 120))
        elif chance < 0.1:
            self.keys()

    def keys(self) -> None:
        """A key goes down or up, a pedal moves; some messages come twice, some not at all."""
        note = self.random.choice([*self.keys_down, self.random.randint(36, 84)])
        kind = self.random.choice((0x90, 0x90, 0x80, 0xB0))
        third = self.random.choice((0, 100))
        data = bytes((kind, 64 if kind == 0xB0 else note, third))
        if kind == 0x90:
            self.keys_down = [*self.keys_down[-3:], note]
        for _ in range(self.random.choice((0, 1, 1, 1, 2))):
            self.state.hear(self.random.randrange(BLOCK_FRAMES), 0, data)

    def die(self, blocks: int) -> None:
        """The engine is gone; another one takes its place up after some blocks."""
        frame = self.state.next_frame + blocks * BLOCK_FRAMES
        self.set_watch.disturbed()
        known = json.loads(self.last_place)
        other = engine_state(self.program, soft_start=False)
        self.engine(other)
        restore(other, known)
        replay(other, frame)
        self.ears.clicks.clear()
        self.last_place = json.dumps(known)
        # The host has silenced every port, and says that they are there.
        self.sounding.clear()
        self.held.clear()
        self.segment = None
        for port in range(len(self.program.rig.ports)):
            other.press(packed(Command.REFRESH_PORT, refresh(port, Refresh.MISSED)))
        self.unsettled_until = frame + 2 * RATE
        self.begun = [self.written(run) for run in other.runs if run.started]

    # --- what must hold -------------------------------------------------------------------

    def fails(self, what: str, why: str) -> None:
        second = self.state.next_frame / RATE
        self.broken.append(f"seed {self.seed}, {second:.3f} s, {what}: {why}")

    def judge(self, first: int, midi: list[tuple[int, int, bytes, str]]) -> None:
        """After every block."""
        self.see_legs()
        self.judge_clicks()
        for frame, port, data, why in midi:
            self.hear(frame, port, data, why)
        self.judge_patches(first)
        del self.begun[:-6]

    def see_legs(self) -> None:
        known = [id(begun.run) for begun in self.begun]
        for run in self.state.runs:
            if not run.started or id(run) in known:
                continue
            before = self.begun[-1].run if self.begun else None
            self.begun.append(self.written(run))
            joined = before is not None and any(before is other for other in self.state.runs)
            if joined and before is not None and before.end_frame != run.start_frame:
                self.fails("grid", f"a leg ended at {before.end_frame}, next {run.start_frame}")

    def written(self, run: LegRun) -> Begun:
        """What the tempo map says, by another way than the engine's: floats, from the score."""
        leg = self.routes[run.song_index].legs[run.leg_index]
        stretch = float(run.stretch) * RATE if run.leg.ticks else float(RATE)

        def frames(ticks: Any) -> np.ndarray[Any, Any]:
            kept = np.asarray([tick for tick in ticks if tick >= run.first_tick], dtype=np.int64)
            return float(run.start) + leg.tempo_map.seconds_of(kept) * stretch

        clicks = [
            tick
            for tick, event in zip(run.leg.event_ticks.tolist(), run.leg.events, strict=True)
            if isinstance(event, SoundStart) and event.clip < len(VOICES)
        ]
        clocks = range(-run.phase % TICKS_PER_CLOCK, run.leg.ticks, TICKS_PER_CLOCK)
        bars = frames([tick for _, tick in run.leg.bars])
        return Begun(run, run.start_frame, frames(clicks), frames(clocks), bars)

    def judge_clicks(self) -> None:
        for frame in self.ears.clicks:
            off = min(
                (float(np.abs(b.clicks - frame).min(initial=1e9)) for b in self.begun), default=1e9
            )
            if off > 1:
                self.fails("clicks", f"a click at frame {frame} is {off:.1f} frames off")
        self.ears.clicks.clear()

    def hear(self, frame: int, port: int, data: bytes, why: str) -> None:
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0xC0:
            self.patches[port, channel] = data[1]
        elif kind == 0x90 and data[2]:
            self.sounding.add((port, channel, data[1]))
        elif kind in (0x80, 0x90):
            self.sounding.discard((port, channel, data[1]))
        elif kind == 0xB0 and data[1] == 64:
            (self.held.add if data[2] >= 64 else self.held.discard)((port, channel))
        elif kind == 0xB0 and data[1] in (120, 123):
            self.sounding = {held for held in self.sounding if held[:2] != (port, channel)}
        if port == 0:
            self.hear_transport(frame, why)

    def hear_transport(self, frame: int, why: str) -> None:
        if why in ("start", "continue"):
            self.segment, self.segment_from = [], frame
        elif why == "stop" and self.segment is not None:
            self.judge_clocks(self.segment, frame)
            self.segment = None
        elif why == "clock" and self.segment is not None:
            self.segment.append(frame)

    def judge_clocks(self, clocks: list[int], stop: int) -> None:
        """All that were due in a stretch of music, which begins with a bar line."""
        calm = self.segment_from >= self.unsettled_until
        if not clocks or not calm:
            return
        spacing = np.diff(clocks)
        if len(spacing) > 4 and spacing.min() < 1:
            self.fails("clocks", "two clocks on one frame")
        # After a hold the music goes on where it was, which may be inside a bar.
        bars = np.concatenate(
            [np.array([b.begins for b in self.begun], dtype=float), *(b.bars for b in self.begun)]
        )
        early = self.begun[0].begins if self.begun else stop
        if clocks[0] >= early and np.abs(bars - clocks[0]).min(initial=1e9) > 1:
            self.fails("bar lines", f"the clock at {clocks[0]} after Start is none")
        known = [begun for begun in self.begun if begun.run.leg.counted]
        if not known or known[0].begins > clocks[0] + 1:
            return  # it began longer ago than is remembered
        first = max(n for n, begun in enumerate(known) if begun.begins <= clocks[0] + 1)
        counted = range(first, len(known))  # a leg that was stopped before has no clocks here
        ideal = np.concatenate([self.until_next(number, known) for number in counted])
        wanted = int(((ideal > clocks[0] - 1) & (ideal < stop - 1)).sum())
        if not wanted <= len(clocks) <= wanted + 1:
            self.fails("clocks", f"{len(clocks)} instead of {wanted} before the stop at {stop}")

    def until_next(self, number: int, begun: list[Begun]) -> np.ndarray[Any, Any]:
        exact = begun[number].run.end
        end = np.inf if exact is None else float(exact)
        if number + 1 < len(begun) and begun[number + 1].begins < end - 1:
            end = begun[number + 1].begins
        return begun[number].clocks[begun[number].clocks < end - 0.01]

    def judge_patches(self, first: int) -> None:
        """Half a second after a leg has begun, while nothing else is decided."""
        state = self.state
        begun = self.begun[-1] if self.begun else None
        if begun is None or begun.run is not state.tail or begun.begins == self.heard_until:
            return
        if first < max(begun.begins + _GRACE_FRAMES, self.unsettled_until, self.asked_until):
            return
        self.heard_until = begun.begins
        run, rig = begun.run, self.program.rig
        legs = self.program.songs[run.song_index].legs
        wanted: dict[int, PatchOut] = {}
        for index in range(run.leg_index + 1):
            for held in legs[index].chased:
                if isinstance(held.event, PatchOut) and (index < run.leg_index or held.tick <= 0):
                    wanted[held.event.instrument] = held.event
        for number, patch in wanted.items():
            channel = rig.instruments[number].channel - 1
            if not self.is_right(number, patch, self.patches.get((patch.port, channel))):
                self.fails("patches", f"{rig.instruments[number].name} has not patch {patch.key}")

    def is_right(self, number: int, patch: PatchOut, program: int | None) -> bool:
        """Whether an instrument has what it should have."""
        del number
        return program == patch.messages[-1][1]
