"""What a song says about fitting its loops and finding bar 1, and the rig about loudness."""

from fractions import Fraction

import pytest

from syncbox.score.problem import Problem
from syncbox.score.reading import read_song
from syncbox.score.reading.rig import read_rig
from syncbox.score.song import FitWay, PlayAudio

SONG = """\
syncbox: 1
title: x
tempo: quarter = 100
sections: [{{section: A, bars: 8, play: {{{play}}}}}]
"""
RIG = "syncbox: 1\nmixes: {all: {outputs: 1-2, levels: {click: 0}}}\n"


def played(play):
    problems: list[Problem] = []
    song = read_song(SONG.format(play=play), "x.yaml", problems)
    sounds = [
        item.what
        for section in (song.sections if song else ())
        for item in section.body.items
        if isinstance(item.what, PlayAudio)
    ]
    return (sounds[0] if sounds else None), [f"{p.what}; {p.hint}" for p in problems]


@pytest.mark.parametrize("way", FitWay)
def test_every_way_of_fitting(way):
    sound, problems = played(f"loop: a.wav, every: 2 bars, fit: {way.value}")
    assert problems == []
    assert sound.fit is way


def test_a_loop_says_nothing_and_is_left_alone():
    sound, _ = played("loop: a.wav, every: 2 bars")
    assert (sound.fit, sound.start_found) == (FitWay.OFF, False)


def test_where_a_stem_begins():
    assert played("stem: a.wav, from: first hit")[0].start_found
    assert played("stem: a.wav, from: First  Hit")[0].start_found
    sound, _ = played('stem: a.wav, from: "0:01.52"')
    assert (sound.start_seconds, sound.start_found) == (Fraction(152, 100), False)


@pytest.mark.parametrize(
    ("play", "says"),
    [
        ("stem: a.wav, fit: slices", "'fit' means nothing for a stem; take it out"),
        ("one-shot: a.wav, fit: off", "'fit' means nothing for a one-shot; take it out"),
        ("loop: a.wav, every: 1, fit: slice", "did you mean 'slices'?"),
        ("loop: a.wav, every: 1, fit: elastic", "'elastic' is not known here"),
        ("loop: a.wav, every: 1, from: first hit", "begins at a time; add fit: slices"),
        ("stem: a.wav, from: first bang", "'first bang' is not a length of time"),
    ],
)
def test_mistakes(play, says):
    _, problems = played(play)
    assert len(problems) == 1
    assert says in problems[0]


@pytest.mark.parametrize(
    ("text", "lufs"), [("-20 LUFS", -20.0), ("-18.5 lkfs", -18.5), ("off", None)]
)
def test_the_rigs_loudness(text, lufs):
    problems: list[Problem] = []
    rig = read_rig(f"{RIG}loudness: {text}\n", "rig.yaml", problems)
    assert problems == []
    assert rig.loudness_lufs == lufs
    assert read_rig(RIG, "rig.yaml", problems).loudness_lufs is None


@pytest.mark.parametrize("text", ["-20", "-3 LUFS", "-60 LUFS", "loud", "-20 dB"])
def test_a_loudness_that_is_none(text):
    problems: list[Problem] = []
    assert read_rig(f"{RIG}loudness: {text}\n", "rig.yaml", problems) is None
    assert len(problems) == 1
