"""What an engine that takes over lets hear: sample for sample what the other would have."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from building import RIG, Engine, item, program_of, section, song
from doubles import Double, same_from_here

from syncbox.engine.place import place_of
from syncbox.engine.sounding import SHOTS_MAX
from syncbox.engine.transport import Command, packed
from syncbox.score.controls import Sign, SignKind
from syncbox.score.hands import Filter, Pad, PadStart, Setting
from syncbox.score.rig import Mix
from syncbox.score.song import AudioKind, PlayAudio, SourceFade, Span

RATE = 48_000
BAR = 96_000  # frames of 4/4 at 120
NOISE = np.random.default_rng(5).uniform(-0.1, 0.1, (2, 9 * RATE)).astype(np.float32)
SHORT = NOISE[:1, : RATE // 5]


def pad(name: str, note: int, start: PadStart = PadStart.NOW, **more: object) -> Pad:
    sign = Sign(SignKind.NOTE, note, note, 10)
    file = str(more.pop("file", "long.wav"))
    return Pad(name, file, "hits", "pads", sign, start=start, **more)  # type: ignore[arg-type]


PADS = (
    pad("open", 46, choke="hat"),
    pad("closed", 42, choke="hat", file="short.wav"),
    pad("later", 50, PadStart.NEXT_BAR, file="short.wav"),
    pad("long", 52),
)
WAH = Setting(200.0, 8000.0, 8000.0, port="pedals", sign=Sign(SignKind.CONTROLLER, 11, 11, 1))
SWELL = Setting(-40.0, 0.0, 0.0, port="pedals", sign=Sign(SignKind.CONTROLLER, 7, 7, 1))
FLAT = Setting(0.0, 0.0, 0.0)
STAGE = replace(
    RIG,
    mixes=(
        Mix("band", (1,), {"backing": 0.0, "hits": -3.0, "click": -20.0}, ceiling_db=0.0),
        Mix("singer", (2, 3), {"backing": -6.0, "hits": 0.0}, muted=True, ceiling_db=0.0),
    ),
    input_ports={"pads": "*pads*", "pedals": "*pedals*"},
    pads=PADS,
    filters=(Filter("backing", WAH, FLAT, SWELL),),
)


def playing(*items: object, filtered: bool = False, bars: int = 12) -> Double:
    stage = STAGE if filtered else replace(STAGE, filters=())
    clips = {"long.wav": NOISE, "short.wav": SHORT}
    stem = item(PlayAudio("long.wav", AudioKind.STEM, "backing"))
    written = song(section("A", bars, stem, *items))  # type: ignore[arg-type]
    engine = Engine(program_of(written, rig=stage, clips=clips))
    engine.press(Command.START)
    double = Double(engine)
    double.turn(300)
    return double


def strike(engine: Engine, note: int, velocity: int = 100) -> None:
    engine.state.hear(17, 0, bytes((0x99, note, velocity)))


def press(double: Double, *commands: int) -> None:
    for command in commands:
        double.one.press(command)
        double.note()


@pytest.mark.parametrize(
    "commands",
    [
        [packed(Command.MUTE_MIX, 0), packed(Command.MUTE_MIX, 1)],
        [packed(Command.MUTE_MIX, 1), packed(Command.MIX_SOFTER, 1), packed(Command.MIX_SOFTER, 0)],
        [packed(Command.SOLO_MIX, 1), packed(Command.MUTE_MIX, 1)],
        [packed(Command.SOLO_SOURCE, 0)],
        [packed(Command.MUTE_MIX, 1), packed(Command.SOLO_MIX, 0), packed(Command.SOLO_MIX, 0)],
        [Command.SOFTER, Command.SOFTER, Command.MUTE_CLICK],
    ],
)
def test_levels_mutes_and_solos_are_kept(commands: list[int]) -> None:
    double = playing()
    press(double, *commands)
    other = double.other()
    same_from_here(double.one, other, 300)
    sound = np.concatenate(other.audio, axis=1)
    assert np.abs(sound).max() > 0.01


def test_a_pad_sounds_on_and_is_choked_by_the_next_of_its_group() -> None:
    double = playing()
    strike(double.one, 46)
    double.turn(20)
    other = double.other()
    for engine in (double.one, other):
        engine.turn(50)
        strike(engine, 42)
    same_from_here(double.one, other, 400)


def test_a_pad_that_was_choked_does_not_sound_again() -> None:
    double = playing()
    strike(double.one, 46)
    double.turn(20)
    strike(double.one, 42)
    double.turn(1)
    other = double.other(4800)  # 100 ms: the second still sounds, the first has faded
    assert len(other.state.mixer.shots(0)) == len(double.one.state.mixer.shots(0))
    same_from_here(double.one, other, 300)


def test_a_pad_that_waits_for_the_bar_comes_at_the_bar() -> None:
    double = playing()
    strike(double.one, 50)
    double.turn(1)
    assert double.one.state.hands.waiting
    other = double.other(20_000)
    assert other.state.hands.waiting
    same_from_here(double.one, other, 600)


def test_a_pad_that_waits_may_have_begun_in_between() -> None:
    double = playing()
    strike(double.one, 50)
    double.turn(1)
    line = double.one.frames("clock")[0] + BAR
    away = line + 4000 - double.one.state.next_frame
    assert 0 < away < BAR
    same_from_here(double.one, double.other(away), 300)


@pytest.mark.parametrize("bar", [1, 2])
def test_a_shot_of_the_song_sounds_on_whether_it_began_before_or_in_between(bar: int) -> None:
    double = playing(item(PlayAudio("long.wav", AudioKind.ONE_SHOT, "hits"), bar, 2))
    same_from_here(double.one, double.other(), 500)


@pytest.mark.parametrize("blocks", [0, 60, 200, 500])
def test_fades_go_on_from_where_they_were(blocks: int) -> None:
    first = item(SourceFade("backing", -20.0, Span(beats=Fraction(1))), 1, 2)
    second = item(SourceFade("backing", -3.0, Span(bars=3)), 1, 4)
    double = playing(first, second)
    double.turn(blocks)
    same_from_here(double.one, double.other(30_000), 800, off=1e-6)


def test_pedals_stay_where_they_were() -> None:
    double = playing(filtered=True)
    for value in (90, 60, 30):
        double.one.state.hear(0, 1, bytes((0xB0, 11, value)))
        double.one.state.hear(5, 1, bytes((0xB0, 7, 100 - value)))
        double.turn(30)
    other = double.other()
    # What had gone into the filter before is forgotten within some ten milliseconds.
    same_from_here(double.one, other, 300, settle_s=0.2, off=1e-5)


def test_one_that_was_leaving_leaves() -> None:
    double = playing()
    press(double, Command.QUIT)
    other = double.other()
    other.turn(20)
    assert other.state.finished


def test_a_pedal_that_moves_all_the_time_asks_for_few_places() -> None:
    double = playing(filtered=True)
    said = 0
    for number in range(400):
        double.one.state.hear(0, 1, bytes((0xB0, 11, number % 128)))
        double.one.turn()
        said += double.writer(double.one.state) is not None
    assert said < 400 * 256 / RATE / 0.1 + 8


def test_however_many_sounds_there_are_a_place_stays_small() -> None:
    double = playing(filtered=True)
    double.turn(1)
    quiet = len(json.dumps(place_of(double.one.state)))
    for number in range(200):
        strike(double.one, 52, 20 + number % 100)
        strike(double.one, 50)
        double.turn(1)
    place = place_of(double.one.state)
    assert len(place["shots"]) == SHOTS_MAX
    assert len(json.dumps(place)) < quiet + 3000
