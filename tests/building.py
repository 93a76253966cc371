"""Songs, rigs and shows for tests, by hand and by Hypothesis; a player that keeps everything."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from syncbox.audio.voices import click_voices
from syncbox.drivers.offline import USUAL, play_through
from syncbox.engine.render import render_block
from syncbox.engine.script import CueScript
from syncbox.engine.state import EngineState, engine_state
from syncbox.schedule.compile import compile_show
from syncbox.schedule.entry import StartAt
from syncbox.schedule.program import Program
from syncbox.score.meter import Meter
from syncbox.score.rig import (
    Instrument,
    MidiPort,
    Mix,
    Rig,
    SetEntry,
    SetList,
    Show,
    Wire,
)
from syncbox.score.song import (
    At,
    Body,
    CountIn,
    Hold,
    Item,
    MeterChange,
    Ramp,
    RampShape,
    Section,
    Song,
    Span,
    TempoStep,
)

RIG = Rig(
    ports=(
        MidiPort("stand", "stand", clock=True, start_stop=True, song_position=True),
        MidiPort("strings", "strings", wire=Wire.USB),
        MidiPort("lights", "lights", wire=Wire.USB, clock=True, clock_when_stopped=False),
    ),
    instruments=(
        Instrument("organ", "stand", 1, loading_ms=Fraction(40)),
        Instrument("lead", "stand", 2, loading_ms=Fraction(120)),
        Instrument("choir", "strings", 1),
    ),
    mixes=(
        Mix("drummer", (1, 2), {"click": 0.0, "count-in": 0.0, "backing": -6.0}),
        Mix("band", (3,), {"backing": 0.0}),
    ),
)


def section(name: str, bars: int, *items: Item, **more: object) -> Section:
    return Section(name, Body(bars, items), **more)  # type: ignore[arg-type]


def item(what: object, bar: int = 1, beat: int = 1, **more: object) -> Item:
    return Item(At(bar, Fraction(beat)), what, **more)  # type: ignore[arg-type]


def song(*sections: Section, tempo: object = 120, **more: object) -> Song:
    return Song("test-song", "Test song", Fraction(tempo), sections, **more)  # type: ignore[arg-type]


def show_of(*songs: Song, rig: Rig = RIG, entries: tuple[SetEntry, ...] = ()) -> Show:
    named = {f"song-{index}": each for index, each in enumerate(songs)}
    order = entries or tuple(SetEntry(name) for name in named)
    return Show("", rig, SetList("tonight", order), named)


def program_of(
    *songs: Song,
    rig: Rig = RIG,
    rate: int = 48_000,
    entries: tuple[SetEntry, ...] = (),
    clips: dict[str, NDArray[np.float32]] | None = None,
    start: StartAt | None = None,
) -> Program:
    show = show_of(*songs, rig=rig, entries=entries)
    return compile_show(show, rate, clips or {}, click_voices(rate), start)


@dataclass
class Played:
    """Everything that came out: audio (outputs, frames), and MIDI as (frame, port, bytes, why)."""

    audio: NDArray[np.float32]
    midi: list[tuple[int, int, bytes, str]]
    rate: int

    def frames(self, why: str, port: int = 0) -> list[int]:
        return [frame for frame, at, _, reason in self.midi if (at, reason) == (port, why)]


def play(
    program: Program, *, script: CueScript = USUAL, songs: int = 1, block_frames: int = 4096
) -> Played:
    """The first songs of a set through the offline driver."""
    audio, midi = [], []
    blocks = play_through(program, script=script, songs=songs, block_frames=block_frames)
    for first, block in blocks:
        audio.append(block.audio.copy())
        midi += [(first + offset, port, data, why) for offset, port, data, why in block.midi]
    return Played(np.concatenate(audio, axis=1), midi, program.rate)


@dataclass
class Engine:
    """An engine turned by hand, block by block."""

    program: Program
    block_frames: int = 256
    script: CueScript | None = None
    midi: list[tuple[int, int, bytes, str]] = field(default_factory=list)
    audio: list[NDArray[np.float32]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.state: EngineState = engine_state(
            self.program, level_db=0.0, soft_start=False, script=self.script
        )

    def press(self, command: int) -> None:
        self.state.press(command)
        self.turn()

    def turn(self, blocks: int = 1) -> None:
        for _ in range(blocks):
            first = self.state.next_frame
            block = render_block(self.state, first, self.block_frames)
            self.audio.append(block.audio.copy())
            self.midi += [(first + o, port, data, why) for o, port, data, why in block.midi]

    def turn_until(self, reached: object, *, blocks_max: int = 20_000) -> None:
        """Turn until `reached(now)` holds."""
        for _ in range(blocks_max):
            if reached(self.state.now):  # type: ignore[operator]
                return
            self.turn()
        raise AssertionError("the engine never got there")

    def frames(self, why: str, port: int = 0) -> list[int]:
        return [frame for frame, at, _, reason in self.midi if (at, reason) == (port, why)]


# --- strategies -----------------------------------------------------------------------------

meters = st.sampled_from(
    [
        Meter.of(4, 4),
        Meter.of(3, 4),
        Meter.of(6, 8),
        Meter.of(7, 8, (2, 2, 3)),
        Meter.of(5, 4, (3, 2)),
        Meter.of(5, 16),
        Meter.of(2, 2),
        Meter.of(5, 32),
        Meter.of(3, 64),
    ]
)
tempos_qpm = st.fractions(min_value=20, max_value=400, max_denominator=100)
ramp_shapes = st.sampled_from(list(RampShape))


@st.composite
def bodies(draw: st.DrawFn, *, holds: bool = True) -> Body:
    bars = draw(st.integers(1, 5))
    items: list[Item] = []
    for bar in range(1, bars + 1):
        kind = draw(st.sampled_from(["none", "none", "tempo", "ramp", "meter", "hold"]))
        if kind == "tempo":
            items.append(item(TempoStep(draw(tempos_qpm)), bar))
        elif kind == "ramp":
            span = Span(bars=draw(st.integers(1, 4)))
            items.append(item(Ramp(draw(tempos_qpm), span, draw(ramp_shapes)), bar))
        elif kind == "meter":
            items.append(item(MeterChange(draw(meters)), bar))
        elif kind == "hold" and holds:
            items.append(item(Hold(usual_seconds=Fraction(1, 3)), bar))
    return Body(bars, tuple(items))


@st.composite
def sections(draw: st.DrawFn) -> Section:
    vamp = draw(st.sampled_from([0, 0, 1, 3]))
    body = draw(bodies(holds=not vamp))
    passes = 1 if vamp else draw(st.integers(1, 3))
    endings = () if vamp or passes == 1 else draw(st.sampled_from([(), (Body(1), Body(2))]))
    return Section(draw(st.sampled_from("ABCDE")), body, "", passes, endings, vamp)


@st.composite
def songs(draw: st.DrawFn) -> Song:
    return Song(
        "drawn",
        "Drawn",
        draw(tempos_qpm),
        tuple(draw(st.lists(sections(), min_size=1, max_size=4))),
        meter=draw(meters),
        count_in=CountIn(bars=draw(st.integers(0, 2)), beats=draw(st.integers(0, 3))),
    )
