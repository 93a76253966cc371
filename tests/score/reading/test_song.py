"""A song file's text becomes the records it describes."""

from __future__ import annotations

from fractions import Fraction

import pytest

from syncbox.score.meter import Meter
from syncbox.score.problem import Problem, Severity
from syncbox.score.reading import read_song
from syncbox.score.song import (
    At,
    AudioKind,
    Click,
    ClickBeats,
    ControllerSend,
    CountIn,
    Hold,
    MeterChange,
    Modulation,
    PatchChange,
    PlayAudio,
    Ramp,
    RampShape,
    Song,
    Span,
    SpokenCue,
    SysexSend,
    TempoStep,
    TextCue,
)

HEAD = "syncbox: 1\ntitle: Lantern Street\ntempo: quarter = 96\n"
ONE_SECTION = "sections:\n  - {section: Verse, bars: 8}\n"


def song_of(text: str) -> Song:
    problems: list[Problem] = []
    song = read_song(text, "songs/lantern-street.yaml", problems)
    assert problems == []
    assert song is not None
    return song


def items_of(section: str) -> list[tuple[At, object]]:
    """What happens in a section of 16 bars of 4/4 that has these further lines."""
    lines = "".join(f"    {line}\n" for line in section.splitlines())
    song = song_of(f"{HEAD}sections:\n  - section: Verse\n    bars: 16\n{lines}")
    return [(item.at, item.what) for item in song.sections[0].body.items]


def test_the_shortest_song() -> None:
    song = song_of(HEAD + ONE_SECTION)
    assert (song.id, song.title, song.tempo_qpm) == ("lantern-street", "Lantern Street", 96)
    assert [(s.name, s.body.bars, s.passes) for s in song.sections] == [("Verse", 8, 1)]


def test_everything_at_the_head_of_a_song() -> None:
    song = song_of(
        HEAD
        + "key: Em\nnotes: capo 2\nmeter: 7/8 in 2+2+3\ncount-in: 1 bar of 4/4\npickup: 3 eighths\n"
        + "click: {beats: [1, 3], divide: eighths, swing: 2:1}\n"
        + ONE_SECTION
    )
    assert (song.key, song.notes) == ("Em", "capo 2")
    assert song.meter == Meter(7, 8, (2, 2, 3))
    assert song.count_in == CountIn(bars=1, meter=Meter.of(4, 4))
    assert song.pickup == Span(ticks=3 * 10_080)
    assert song.click == Click(ClickBeats.CHOSEN, (1, 3), Fraction(1, 2), Fraction(2, 3))


def test_sections_with_marks_times_vamps_and_endings() -> None:
    song = song_of(
        HEAD
        + """
sections:
  - {section: Intro, mark: A, bars: 4, vamp: usually 6 times, notes: watch the drummer}
  - section: Verse
    bars: 14
    endings:
      - bars: 2
      - {bars: 3, text: and stop}
  - {section: Coda, bars: 1, times: 3 times}
"""
    )
    intro, verse, coda = song.sections
    assert (intro.mark, intro.vamp_usual, intro.notes) == ("A", 6, "watch the drummer")
    assert (verse.passes, [ending.bars for ending in verse.endings]) == (2, [2, 3])
    assert verse.endings[1].items[0].what == TextCue("and stop")
    assert coda.passes == 3


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("tempo: 104", TempoStep(Fraction(104))),
        ("tempo: dotted eighth = quarter", Modulation(Fraction(3, 4), Fraction(1))),
        ("ramp: to quarter = 120 over 8 bars", Ramp(Fraction(120), Span(bars=8))),
        (
            "ramp: {to: half = 50, over: 6 beats, shape: by time}",
            Ramp(Fraction(100), Span(beats=Fraction(6)), RampShape.BY_TIME),
        ),
        (
            "ramp: 90 to the end by period",
            Ramp(Fraction(90), Span(to_end=True), RampShape.BY_PERIOD),
        ),
        ("meter: 6/8", MeterChange(Meter.of(6, 8))),
        ("click: off", Click(ClickBeats.OFF)),
        ("click: half time", Click(ClickBeats.HALF_TIME)),
        ("click: 2 and 4", Click(ClickBeats.CHOSEN, (2, 4))),
        ("click: {swing: 60 %}", Click(ClickBeats.BEATS, (), Fraction(1, 2), Fraction(3, 5))),
        ("patches: {organ: Soft}", PatchChange("organ", "Soft")),
        ("patches: {organ: 3/17}", PatchChange("organ", "3/17")),
        ("patches: {organ: 010}", PatchChange("organ", "010")),
        ("send: {to: organ, controller: 11, value: 90}", ControllerSend("organ", 11, 90)),
        ("send: [{to: organ, sysex: F0 7D 01 F7}]", SysexSend("organ", b"\xf0\x7d\x01\xf7")),
        (
            "play: {loop: audio/pads.flac, every: 2 bars, gain: -6 dB}",
            PlayAudio("audio/pads.flac", "pads", AudioKind.LOOP, -6.0, every_bars=2),
        ),
        (
            "play: [{stem: audio/b.wav, as: strings, from: 0:01.5}]",
            PlayAudio("audio/b.wav", "strings", AudioKind.STEM, 0.0, Fraction(3, 2)),
        ),
        ("play: {one-shot: hit.wav}", PlayAudio("hit.wav", "hit", AudioKind.ONE_SHOT)),
        ("text: no", TextCue("no")),
        ("say: audio/now.wav", SpokenCue("audio/now.wav")),
        ("say: {file: audio/now.wav, gain: -3}", SpokenCue("audio/now.wav", -3.0)),
        ("hold: until cue", Hold()),
        ("hold: 3 s", Hold(Fraction(3))),
        ("hold: {usually: 4 s, count: 2 beats}", Hold(None, Fraction(4), 2)),
    ],
)
def test_what_can_happen_in_a_section(line: str, what: object) -> None:
    assert items_of(line) == [(At(), what)]
    inside = items_of(f"during:\n  - bar: 5\n    {line}")
    assert inside == [(At(5), what)]


def test_places_inside_a_section() -> None:
    items = items_of(
        "during:\n  - {bar: 7, beat: 2.5, text: x}\n  - {bar: 9, meter: 5/4}\n"
        "  - {bar: 16, beat: 5, text: y}"
    )
    assert [at for at, _ in items] == [At(7, Fraction(5, 2)), At(9), At(16, Fraction(5))]


def test_only_on_some_passes() -> None:
    song = song_of(
        HEAD
        + "sections:\n  - {section: A, bars: 4, times: 3, during: "
        + "[{bar: 2, only: [1, 3], text: x}, {bar: 2, only: 2nd time, text: y}]}\n"
    )
    assert [item.passes for item in song.sections[0].body.items] == [{1, 3}, {2}]


def test_a_song_with_an_error_is_not_given() -> None:
    problems: list[Problem] = []
    assert read_song(HEAD + "keys: Em\n" + ONE_SECTION, "a.yaml", problems) is None
    (problem,) = problems
    assert str(problem.place) == "a.yaml:4:1"
    assert (problem.what, problem.hint) == ("a song has no 'keys'", "did you mean 'key'?")


@pytest.mark.parametrize(
    ("meter", "tempo", "advice"),
    [
        ("6/8", "80", "write 'dotted quarter = 80', or 'quarter = 80' if that is meant"),
        ("7/8 in 2+2+3", "184", "write 'eighth = 184', or 'quarter = 184' if that is meant"),
        ("2/2", "60", "write 'half = 60', or 'quarter = 60' if that is meant"),
    ],
)
def test_a_bare_tempo_in_a_meter_that_counts_another_note(
    meter: str, tempo: str, advice: str
) -> None:
    problems: list[Problem] = []
    text = f"syncbox: 1\ntitle: x\ntempo: {tempo}\nmeter: {meter}\n{ONE_SECTION}"
    assert read_song(text, "a.yaml", problems) is not None
    (problem,) = problems
    assert (problem.severity, problem.hint) == (Severity.WARNING, advice)
    assert str(problem.place) == "a.yaml:3:8"
