"""Mixes in their long form, pads, filters and fades as a musician writes them."""

from __future__ import annotations

from fractions import Fraction

import pytest

from syncbox.score.controls import Sign, SignKind, Touch
from syncbox.score.hands import Curve, Filter, Pad, PadStart, Setting
from syncbox.score.problem import Problem
from syncbox.score.reading import read_song
from syncbox.score.reading.rig import read_rig
from syncbox.score.rig import EVERY_BAR, Mix, Rig
from syncbox.score.song import SourceFade, Span

INPUTS = 'inputs: {pads: "*pads*", feet: "*feet*"}\n'
NOTE = Sign(SignKind.NOTE, 36, 36, 10)


def rig_of(text: str) -> tuple[Rig | None, list[Problem]]:
    problems: list[Problem] = []
    return read_rig(f"syncbox: 1\n{text}", "rig.yaml", problems), problems


def mix_of(level: str, *, outputs: str = "1-2", source: str = "click") -> Mix:
    text = f"mixes:\n  m: {{outputs: {outputs}, levels: {{{source}: {level}}}}}\n"
    rig, problems = rig_of(text)
    assert rig is not None, problems
    return rig.mixes[0]


def complaint(text: str) -> str:
    rig, problems = rig_of(text)
    assert rig is None
    assert len(problems) == 1, problems
    assert problems[0].hint
    return f"{problems[0].what}: {problems[0].hint}"


@pytest.mark.parametrize(
    ("words", "pan"),
    [
        ("left", -100),
        ("Right", 100),
        ("centre", 0),
        ("center", 0),
        ("half left", -50),
        ("30 right", 30),
        ("right 30", 30),
        ("20 % left", -20),
        ("-75", -75),
        ("+5", 5),
    ],
)
def test_sides_in_a_musicians_words(words: str, pan: int) -> None:
    assert mix_of(f"{{level: -6 dB, pan: {words}}}").pans == {"click": pan}


@pytest.mark.parametrize(
    ("words", "bars"),
    [("count-in", 0), ("first 8 bars", 8), ("4 bars", 4), ("whole song", EVERY_BAR)],
)
def test_where_the_click_is_heard(words: str, bars: int) -> None:
    mix = mix_of(f"{{level: -4 dB, only: {words}}}")
    assert (mix.click_bars, mix.levels_db["click"]) == (bars, -4.0)


def test_a_muted_source_and_a_muted_mix() -> None:
    assert mix_of("{level: -4 dB, mute: yes}").levels_db["click"] == float("-inf")
    rig, _ = rig_of("mixes: {m: {outputs: 1, levels: {click: 0 dB}, mute: yes}}\n")
    assert rig is not None
    assert rig.mixes[0].muted


@pytest.mark.parametrize(
    ("level", "words"),
    [
        ("{level: 0 dB, pan: up}", "write left, right, centre, half left"),
        ("{level: 0 dB, pan: 130 left}", "write 0 to 100"),
        ("{level: 0 dB, only: chorus}", "write count-in, first 8 bars or whole song"),
        ("{pan: left}", "needs 'level'"),
        ("{level: 0 dB, side: left}", "write pan"),
    ],
)
def test_what_to_write_instead_in_a_mix(level: str, words: str) -> None:
    text = f"mixes: {{m: {{outputs: 1-2, levels: {{click: {level}}}}}}}\n"
    assert words in complaint(text)


def test_one_output_has_no_sides_and_only_the_click_ends_early() -> None:
    text = "mixes: {{m: {{outputs: {}, levels: {{pads: {{level: 0 dB, {}}}}}}}}}\n"
    assert "no left and right" in complaint(text.format("3", "pan: left"))
    assert "'only' is for the click" in complaint(text.format("1-2", "only: count-in"))


def test_a_pad() -> None:
    rig, problems = rig_of(
        f"{INPUTS}mixes: {{m: {{outputs: 1, levels: {{backing: 0 dB}}}}}}\n"
        "pads:\n"
        "  kick: {play: audio/kick.wav, port: pads, message: note 36 channel 10}\n"
        "  rise: {play: audio/rise.wav, as: fx, port: pads, message: note 36 channel 10,"
        " gain: -6 dB, choke: fx, touch: fixed 90, start: next bar}\n"
    )
    assert problems == []
    assert rig is not None
    assert rig.pads == (
        Pad("kick", "audio/kick.wav", "kick", "pads", NOTE),
        Pad(
            "rise",
            "audio/rise.wav",
            "fx",
            "pads",
            NOTE,
            -6.0,
            "fx",
            Touch.FIXED,
            90,
            PadStart.NEXT_BAR,
        ),
    )


@pytest.mark.parametrize(
    ("pad", "words"),
    [
        ("{play: a.wav}", "add port: and message: note 36 channel 10"),
        ("{play: a.wav, port: pads, message: program 5}", "write note 36 channel 10"),
        ("{play: a.wav, port: pads, message: note 36, start: soon}", "'next beat' or 'next bar'"),
        ("{port: pads, message: note 36}", "needs 'play'"),
        ("{sample: a.wav, port: pads, message: note 36, play: b.wav}", "write play"),
    ],
)
def test_what_to_write_instead_for_a_pad(pad: str, words: str) -> None:
    mixes = "mixes: {m: {outputs: 1, levels: {backing: 0 dB}}}\n"
    assert words in complaint(f"{INPUTS}{mixes}pads: {{kick: {pad}}}\n")


def filter_of(text: str) -> Filter:
    mixes = "mixes: {m: {outputs: 1, levels: {backing: 0 dB}}}\n"
    rig, problems = rig_of(f"{INPUTS}{mixes}filters: {{pads: {text}}}\n")
    assert rig is not None, problems
    return rig.filters[0]


def test_a_filter() -> None:
    read = filter_of(
        "{cutoff: {port: feet, message: controller 11, from: 200 Hz, to: 12 kHz, curve: late},"
        " resonance: 30 %, level: {port: feet, message: controller 7, from: 0 dB, to: off}}"
    )
    foot = Sign(SignKind.CONTROLLER, 11, 11)
    assert read.cutoff == Setting(200.0, 12_000.0, 12_000.0, Curve.LATE, "feet", foot)
    assert read.resonance == Setting(0.3, 0.3, 0.3)
    assert (read.level.low, read.level.high, read.level.rest) == (0.0, float("-inf"), 0.0)
    assert filter_of("{cutoff: 1.2 kHz}").cutoff == Setting(1200.0, 1200.0, 1200.0)


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("{cutoff: bright}", "write 800 Hz or 1.2 kHz"),
        ("{cutoff: 5 Hz}", "write 20 Hz to 20 kHz"),
        ("{cutoff: 800 Hz, resonance: 200 %}", "write 0 to 100"),
        ("{cutoff: {port: feet, message: note 3, from: 200 Hz, to: 2 kHz}}", "controller 11"),
        ("{cutoff: {port: feet, message: controller 1, from: low, to: 2 kHz}}", "write 800 Hz"),
        ("{cutoff: 800 Hz, q: 3}", "write resonance: 30 %"),
    ],
)
def test_what_to_write_instead_for_a_filter(written: str, words: str) -> None:
    mixes = "mixes: {m: {outputs: 1, levels: {backing: 0 dB}}}\n"
    assert words in complaint(f"{INPUTS}{mixes}filters: {{pads: {written}}}\n")


def song_text(body: str) -> str:
    return f"syncbox: 1\ntitle: x\ntempo: 96\nsections:\n  - {{section: A, bars: 8, {body}}}\n"


def test_fades_of_a_section() -> None:
    problems: list[Problem] = []
    text = song_text(
        "fade: {pads: to -12 dB over 4 bars, bass: off to the end, fx: 0 dB over 2 beats}"
    )
    read = read_song(text, "s.yaml", problems)
    assert problems == []
    assert read is not None
    assert [item.what for item in read.sections[0].body.items] == [
        SourceFade("pads", -12.0, Span(bars=4)),
        SourceFade("bass", float("-inf"), Span(to_end=True)),
        SourceFade("fx", 0.0, Span(beats=Fraction(2))),
    ]


@pytest.mark.parametrize("fade", ["-12 dB", "down over 4 bars", "to -6 dB over a while"])
def test_a_fade_that_is_none(fade: str) -> None:
    problems: list[Problem] = []
    assert read_song(song_text(f"fade: {{pads: {fade}}}"), "s.yaml", problems) is None
    assert len(problems) == 1
    assert problems[0].hint


def test_a_song_may_leave_out_where_its_pad_is_struck() -> None:
    problems: list[Problem] = []
    text = song_text("") + "pads: {kick: {play: audio/other.wav}}\n"
    read = read_song(text.replace(", }", "}"), "s.yaml", problems)
    assert problems == []
    assert read is not None
    assert read.pads == (Pad("kick", "audio/other.wav", "other"),)
