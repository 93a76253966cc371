"""Time code, pulses, spoken words and calibrations, as files say them."""

from __future__ import annotations

from fractions import Fraction

import pytest

from syncbox.score.problem import Problem
from syncbox.score.reading import read_song
from syncbox.score.reading.rig import draft_set, read_rig
from syncbox.score.rig import Calibration, Pulse
from syncbox.score.timecode import (
    CodeRate,
    Label,
    SetTimeCode,
    TimeCode,
    frames_of,
    label_of,
    shown,
)

SONG = "syncbox: 1\ntitle: x\ntempo: 96\nsections: [{section: A, bars: 2%s}]\n%s"
RIG = (
    "syncbox: 1\nports: {lights: {match: x, time-code: yes}}\n"
    "mixes: {ears: {outputs: 1, levels: {click: 0 dB}}}\n"
)


def song_with(more: str, section: str = "") -> object:
    problems: list[Problem] = []
    song = read_song(SONG % (section, more), "x.yaml", problems)
    assert not problems
    return song


@pytest.mark.parametrize(
    ("text", "rate", "start", "in_count"),
    [
        ("01:00:00:00", CodeRate.FPS_25, 90_000, False),
        ("{start: 01:00:00}", CodeRate.FPS_25, 90_000, False),
        ("{rate: 24, start: 00:00:01:23}", CodeRate.FPS_24, 47, False),
        ("{rate: 30 fps, in-count: yes}", CodeRate.FPS_30, 0, True),
        ("{rate: 29.97 drop, start: 01:00:00;00}", CodeRate.DROP, 107_892, False),
        ("{rate: 29.97 non-drop, start: 01:00:00:00}", CodeRate.NON_DROP, 108_000, False),
    ],
)
def test_a_songs_time_code(text: str, rate: CodeRate, start: int, in_count: bool) -> None:
    song = song_with(f"time-code: {text}\n")
    assert song.time_code == TimeCode(rate, start, in_count)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("text", "what", "hint"),
    [
        ("{rate: 29.97}", "two ways", "29.97 drop or 29.97 non-drop"),
        ("{rate: 50}", "not known here", "'25'"),
        ("{start: noon}", "not a time code", "01:00:00:00"),
        ("{rate: 25, start: 00:00:00:25}", "0 to 24", "01:00:00:00"),
        ("{rate: 29.97 drop, start: 00:01:00;00}", "no frames 00 and 01", "01:00:00:00"),
        ("25:00:00:00", "hours go to 23", "01:00:00:00"),
        ("{fps: 25}", "no 'fps'", "write rate"),
    ],
)
def test_mistakes_in_a_time_code(text: str, what: str, hint: str) -> None:
    problems: list[Problem] = []
    assert read_song(SONG % ("", f"time-code: {text}\n"), "x.yaml", problems) is None
    assert what in problems[0].what
    assert hint in problems[0].hint


def test_spoken_words() -> None:
    song = song_with("spoken: yes\n", ", spoken-name: second verse")
    assert song.spoken is True  # type: ignore[attr-defined]
    assert song.sections[0].spoken_name == "second verse"  # type: ignore[attr-defined]
    assert song_with("").spoken is None  # type: ignore[attr-defined]


def test_a_rig_with_everything() -> None:
    more = (
        "spoken: yes\npulse: {per-quarter: 24, length: 2.5 ms, level: -6 dB}\n"
        "calibration: {mix: ears, reading: 78.5 dB(A), tone: -20 dBFS}\n"
    )
    problems: list[Problem] = []
    rig = read_rig(RIG + more, "rig.yaml", problems)
    assert rig is not None, problems
    assert rig.ports[0].time_code
    assert rig.spoken
    assert rig.pulse == Pulse(24, Fraction(5, 2), -6.0)
    assert rig.calibrations == (Calibration("ears", 78.5, -20.0),)
    short = read_rig(RIG + "pulse: 4\n", "rig.yaml", problems)
    assert short is not None
    assert short.pulse == Pulse(4)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("calibration: {mix: eras, reading: 78 dBA, tone: -20 dBFS}", "not one of the mixes"),
        ("calibration: {mix: ears, reading: 78 dB, tone: -20 dBFS}", "which decibels"),
        ("calibration: {mix: ears, reading: 178 dBA, tone: -20 dBFS}", "out of range"),
        ("calibration: {mix: ears, reading: 78 dBA, tone: 3 dBFS}", "out of range"),
        (
            "calibration:\n  - {mix: ears, reading: 78 dBA, tone: -20}\n"
            "  - {mix: ears, reading: 79 dBA, tone: -20}",
            "measured twice",
        ),
        ("pulse: 0", "out of range"),
        ("pulse: {per-quarter: 2, length: 1 s}", "out of range"),
    ],
)
def test_mistakes_in_a_rig(text: str, what: str) -> None:
    problems: list[Problem] = []
    assert read_rig(RIG + text + "\n", "rig.yaml", problems) is None
    assert what in problems[0].what


def test_the_code_of_a_set() -> None:
    problems: list[Problem] = []
    text = "syncbox: 1\ntime-code: {rate: 30, start: 01:00:00:00, apart: 5 min}\nsongs: [a]\n"
    draft = draft_set(text, "setlist.yaml", problems)
    assert draft is not None
    assert not problems
    hour = TimeCode(CodeRate.FPS_30, 108_000)
    assert draft.set_list.time_code == SetTimeCode(hour, Fraction(300))
    short = draft_set("syncbox: 1\ntime-code: 01:00:00:00\nsongs: [a]\n", "s.yaml", problems)
    assert short is not None
    assert short.set_list.time_code == SetTimeCode(TimeCode(CodeRate.FPS_25, 90_000))


@pytest.mark.parametrize(
    ("rate", "apart", "before", "expected"),
    [
        (CodeRate.FPS_25, None, Fraction(0), "01:00:00:00"),
        (CodeRate.FPS_25, None, Fraction(601, 2), "01:05:01:00"),
        (CodeRate.FPS_25, Fraction(600), Fraction(9), "01:20:00:00"),
        (CodeRate.NON_DROP, None, Fraction(3_6036, 10), "02:00:00:00"),
        (CodeRate.DROP, Fraction(60), Fraction(9), "01:02:00;02"),
        (CodeRate.DROP, Fraction(300), Fraction(9), "01:10:00;00"),
        (CodeRate.FPS_24, Fraction(23 * 1800), Fraction(9), "00:00:00:00"),
    ],
)
def test_where_the_third_song_starts(
    rate: CodeRate, apart: Fraction | None, before: Fraction, expected: str
) -> None:
    code = SetTimeCode(TimeCode(rate, frames_of(Label(1, 0, 0, 0), rate)), apart)
    assert shown(label_of(code.of_song(2, before).start, rate), rate) == expected
