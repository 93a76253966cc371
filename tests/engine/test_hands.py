"""Pads, pedals, fades and mixes in the engine: on their frame, at any block size, no step."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from building import RIG, Engine, item, play, program_of, section, song

from syncbox.engine.render import render_block
from syncbox.engine.state import EngineState, engine_state
from syncbox.engine.transport import Command, packed
from syncbox.schedule.entry import StartAt
from syncbox.schedule.program import Program
from syncbox.score.controls import Control, Sign, SignKind, Touch
from syncbox.score.hands import Curve, Filter, Pad, PadStart, Setting
from syncbox.score.rig import Mix, Rig
from syncbox.score.song import AudioKind, PlayAudio, SourceFade, Span
from syncbox.units import db_to_gain

RATE = 48_000
BAR = 96_000  # frames of 4/4 at 120
BEAT = BAR // 4
HIT = np.linspace(0.5, 0.0, 4000, dtype=np.float32)[np.newaxis]
LONG = np.full((1, 10 * RATE), 0.25, dtype=np.float32)


def pad(name: str, note: int, start: PadStart = PadStart.NOW, **more: object) -> Pad:
    sign = Sign(SignKind.NOTE, note, note, 10)
    return Pad(name, "hit.wav", "hits", "pads", sign, start=start, **more)  # type: ignore[arg-type]


def rig_with(*pads: Pad, filters: tuple[Filter, ...] = ()) -> Rig:
    return replace(
        RIG,
        mixes=(Mix("band", (1,), {"backing": 0.0}, ceiling_db=0.0),),
        input_ports={"pads": "*pads*", "pedals": "*pedals*"},
        pads=pads,
        filters=filters,
    )


def program(*pads: Pad, sound: np.ndarray = HIT, bars: int = 4, tempo: int = 120) -> Program:
    written = song(section("A", bars), tempo=tempo)
    return program_of(written, rig=rig_with(*pads), clips={"hit.wav": sound})


def onsets(audio: np.ndarray) -> list[int]:
    """Frames on which something begins in a row of sound."""
    heard = np.concatenate([[0.0], np.abs(audio)])
    return np.flatnonzero((heard[1:] > 0.01) & (heard[:-1] == 0.0)).tolist()


def strike(engine: Engine, note: int, velocity: int = 127, offset: int = 0) -> int:
    """A stroke on a pad as it comes in by MIDI; gives its frame."""
    engine.state.hear(offset, 0, bytes((0x99, note, velocity)))
    return engine.state.next_frame + offset


def sound_of(engine: Engine) -> np.ndarray:
    return np.concatenate(engine.audio, axis=1)[0]


def test_a_pad_sounds_on_the_frame_of_its_stroke_also_while_nothing_plays() -> None:
    engine = Engine(program(pad("hit", 36)))
    engine.turn(3)
    frame = strike(engine, 36, offset=100)
    engine.turn(30)
    assert onsets(sound_of(engine)) == [frame]


@pytest.mark.parametrize("start", [PadStart.NEXT_BEAT, PadStart.NEXT_BAR])
def test_a_pad_that_waits_begins_exactly_on_the_grid(start: PadStart) -> None:
    engine = Engine(program(pad("hit", 36, start), tempo=97))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 2 and now.beat == 2)
    strike(engine, 36, offset=3)
    engine.turn_until(lambda now: now.bar == 4)
    downbeat = engine.frames("clock")[0]
    wanted = 7 * 60 * RATE / 97 if start is PadStart.NEXT_BAR else 5 * 60 * RATE / 97
    wanted += 60 * RATE / 97  # struck in beat 2 of bar 2: the fifth beat has begun
    assert onsets(sound_of(engine)) == [downbeat + round(wanted)]


def test_a_pad_that_waits_sounds_at_once_where_no_grid_runs() -> None:
    engine = Engine(program(pad("hit", 36, PadStart.NEXT_BAR)))
    frame = strike(engine, 36)
    engine.turn(30)
    assert onsets(sound_of(engine)) == [frame]


def test_a_stroke_that_waits_is_forgotten_with_the_song() -> None:
    engine = Engine(program(pad("hit", 36, PadStart.NEXT_BAR)))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 2)
    strike(engine, 36)
    engine.turn()
    engine.press(Command.STOP)
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 2)
    assert onsets(sound_of(engine)) == []


@pytest.mark.parametrize(
    ("touch", "exponent"), [(Touch.PLAIN, 2), (Touch.LIGHT, 1), (Touch.HEAVY, 3)]
)
def test_the_touch_makes_the_level(touch: Touch, exponent: int) -> None:
    engine = Engine(program(pad("hit", 36, touch=touch)))
    strike(engine, 36, 64)
    engine.turn()
    assert sound_of(engine)[0] == pytest.approx(0.5 * (64 / 127) ** exponent, rel=1e-5)


def test_a_stroke_chokes_its_group_without_a_step() -> None:
    choked, other = pad("open", 36, choke="hat"), pad("closed", 37, choke="hat", gain_db=-60.0)
    engine = Engine(program(choked, other, sound=LONG))
    strike(engine, 36)
    engine.turn(4)
    frame = strike(engine, 37)
    engine.turn(10)
    heard = sound_of(engine)
    quiet = 0.25 * db_to_gain(-60.0)
    assert heard[frame - 1] == 0.25
    assert np.max(np.abs(np.diff(heard[1:]))) < 0.25 / 400
    assert heard[frame + 480] == pytest.approx(quiet, rel=1e-3)


def test_the_key_of_a_pad_makes_no_instrument_sound() -> None:
    engine = Engine(program(pad("hit", 36)))
    strike(engine, 36)
    engine.state.hear(10, 0, bytes((0x89, 36, 0)))
    engine.turn(4)
    assert not [event for event in engine.midi if event[3] == "played"]


def test_a_song_has_its_own_sound_under_a_pad_of_the_rig() -> None:
    own = Pad("hit", "own.wav", "own")
    written = song(section("A", 1), pads=(own,))
    made = program_of(
        written, rig=rig_with(pad("hit", 36)), clips={"hit.wav": HIT, "own.wav": LONG}
    )
    engine = Engine(made)
    strike(engine, 36)
    engine.turn()
    assert sound_of(engine)[0] == 0.25


def test_a_pad_can_be_played_by_a_command() -> None:
    engine = Engine(program(pad("hit", 36)))
    engine.press(packed(Command.PLAY_PAD, 0 * 128 + 127))
    engine.press(packed(Command.PLAY_PAD, 1 * 128 + 127))
    assert onsets(sound_of(engine)) == [0]
    assert engine.state.now.refused_count == 1


# --- pedals --------------------------------------------------------------------------------


def filtered() -> Program:
    foot = {"port": "pedals", "sign": Sign(SignKind.CONTROLLER, 11, 11)}
    volume = {"port": "pedals", "sign": Sign(SignKind.CONTROLLER, 7, 7)}
    written = Filter(
        "hits",
        Setting(200.0, 12_000.0, 12_000.0, Curve.EVEN, **foot),  # type: ignore[arg-type]
        Setting(0.4, 0.4, 0.4),
        Setting(-np.inf, 0.0, 0.0, **volume),  # type: ignore[arg-type]
    )
    noise = np.random.default_rng(5).uniform(-0.3, 0.3, (1, 5 * RATE)).astype(np.float32)
    return program_of(
        song(section("A", 4)),
        rig=rig_with(pad("hit", 36), filters=(written,)),
        clips={"hit.wav": noise},
    )


def test_a_pedal_moves_the_filter_and_is_not_passed_on() -> None:
    engine = Engine(filtered())
    strike(engine, 36)
    engine.turn(40)
    open_sound = sound_of(engine)[5000:]
    engine.audio.clear()
    engine.state.hear(0, 1, bytes((0xB0, 11, 0)))
    engine.turn(40)
    closed = sound_of(engine)[5000:]
    assert np.std(closed) < 0.25 * np.std(open_sound)
    assert not [event for event in engine.midi if event[3] == "played"]
    engine.audio.clear()
    engine.state.hear(0, 1, bytes((0xB0, 7, 0)))
    engine.turn(40)
    assert not np.any(sound_of(engine)[1000:])


@pytest.mark.parametrize("block_frames", [1, 64, 333])
def test_pedals_and_pads_do_not_depend_on_the_block_size(block_frames: int) -> None:
    rng = np.random.default_rng(9)
    messages = [(0, bytes((0x99, 36, 100)), 0)]
    messages += [
        (int(frame), bytes((0xB0, int(rng.choice([7, 11])), int(rng.integers(128)))), 1)
        for frame in sorted(rng.integers(0, 6000, 60))
    ]

    def rendered(count: int) -> np.ndarray:
        state: EngineState = engine_state(filtered(), level_db=0.0, soft_start=False)
        left, out = list(messages), []
        while state.next_frame < 7000:
            while left and left[0][0] < state.next_frame + count:
                frame, data, source = left.pop(0)
                state.hear(frame - state.next_frame, source, data)
            out.append(render_block(state, state.next_frame, count).audio.copy())
        return np.concatenate(out, axis=1)[:, :7000]

    assert np.array_equal(rendered(1000), rendered(block_frames))


# --- fades and mixes ---------------------------------------------------------------------------


def stem_song(*items: object, bars: int = 4) -> Program:
    stem = item(PlayAudio("hit.wav", "pads", AudioKind.STEM))
    written = song(section("A", bars, stem, *items), section("B", 2))  # type: ignore[arg-type]
    return program_of(written, rig=rig_with(), clips={"hit.wav": LONG})


def test_a_fade_begins_and_ends_on_its_beats() -> None:
    fade = item(SourceFade("pads", -20.0, Span(beats=Fraction(2))), bar=2, beat=3)
    played = play(stem_song(fade))
    first = played.frames("clock")[0] + BAR + 2 * BEAT
    heard = played.audio[0]
    assert heard[first] == 0.25
    assert heard[first + 1] < 0.25
    end = first + 2 * BEAT
    assert heard[end - 1] > heard[end]
    assert np.all(heard[end : end + 10_000] == np.float32(0.25) * np.float32(db_to_gain(-20.0)))
    assert np.max(np.abs(np.diff(heard[first : end + 10]))) < 1e-5


@pytest.mark.parametrize("block_frames", [64, 999])
def test_a_fade_does_not_depend_on_the_block_size(block_frames: int) -> None:
    fade = item(SourceFade("pads", float("-inf"), Span(beats=Fraction(1))), beat=2)
    one = play(stem_song(fade, bars=1))
    other = play(stem_song(fade, bars=1), block_frames=block_frames)
    frames = min(one.audio.shape[1], other.audio.shape[1])
    assert np.array_equal(one.audio[:, :frames], other.audio[:, :frames])


def test_a_later_start_has_the_level_that_the_fades_left() -> None:
    stem = item(PlayAudio("hit.wav", "pads", AudioKind.STEM))
    fade = item(SourceFade("pads", -6.0, Span(bars=1)), bar=1)
    written = song(section("A", 4, stem, fade), section("B", 2))
    made = program_of(written, rig=rig_with(), clips={"hit.wav": LONG}, start=StartAt(0, "B"))
    played = play(made)
    first = played.frames("clock")[0]
    assert played.audio[0, first] == pytest.approx(0.25 * db_to_gain(-6.0), rel=1e-5)


def test_a_song_begins_with_open_faders() -> None:
    fade = item(SourceFade("pads", float("-inf"), Span(beats=Fraction(1))), beat=1)
    engine = Engine(stem_song(fade))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 2)
    engine.press(Command.STOP)
    engine.turn(10)
    engine.audio.clear()
    engine.press(Command.START)
    engine.turn(12)
    heard = sound_of(engine)
    assert not np.any(heard[:2000])  # what was faded away does not come up again
    assert heard[2410] == pytest.approx(0.25, rel=0.02)


def test_a_mix_is_muted_turned_and_opened_without_a_step() -> None:
    engine = Engine(stem_song())
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 1)
    engine.turn(20)
    engine.audio.clear()
    for command in (Command.MIX_SOFTER, Command.MUTE_MIX, Command.MUTE_MIX, Command.MIX_LOUDER):
        engine.press(packed(command, 0))
        engine.turn(6)
    heard = sound_of(engine)
    assert np.max(np.abs(np.diff(heard))) < 1e-3
    assert heard[5 * 256] == pytest.approx(0.25 * db_to_gain(-2.0), rel=1e-5)
    assert np.min(heard) == 0.0
    assert heard[-1] == 0.25
    assert engine.state.now.mixes_muted == 0


def test_solo_leaves_one_source_and_gives_the_others_back() -> None:
    engine = Engine(stem_song())
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 1)
    engine.turn(20)
    click = engine.program.sources.index("click")
    engine.press(packed(Command.SOLO_SOURCE, click))
    engine.turn(5)
    assert engine.state.now.solo_source == click
    engine.audio.clear()
    engine.turn(4)
    assert not np.any(sound_of(engine))
    engine.press(packed(Command.SOLO_SOURCE, click))
    engine.turn(5)
    assert sound_of(engine)[-1] == 0.25
    engine.press(packed(Command.SOLO_SOURCE, 99))
    assert engine.state.now.refused_count == 1


def test_a_pedal_mutes_the_mix_that_it_names() -> None:
    press = Control("mute mix", "pedals", Sign(SignKind.CONTROLLER, 64, 64), mix="band")
    stem = item(PlayAudio("hit.wav", "pads", AudioKind.STEM))
    made = program_of(
        song(section("A", 4, stem)),
        rig=replace(rig_with(), controls=(press,)),
        clips={"hit.wav": LONG},
    )
    engine = Engine(made)
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 1)
    engine.state.hear(0, 1, bytes((0xB0, 64, 127)))
    engine.turn(10)
    assert engine.state.now.mixes_muted == 1
    assert sound_of(engine)[-1] == 0.0
