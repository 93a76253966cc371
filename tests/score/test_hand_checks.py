from __future__ import annotations

from dataclasses import replace

import pytest
from building import RIG, item, section, song

from syncbox.score.checks import check_sources
from syncbox.score.control_checks import check_controls
from syncbox.score.controls import Control, Sign, SignKind
from syncbox.score.hand_checks import check_hands
from syncbox.score.hands import Filter, Pad, Setting
from syncbox.score.rig import Rig
from syncbox.score.song import AudioKind, PlayAudio, Song, SourceFade, Span

NOTE = Sign(SignKind.NOTE, 36, 36, 10)
FIXED = Setting(800.0, 800.0, 800.0)
KICK = Pad("kick", "kick.wav", "drums", "pads", NOTE)
SOUND = replace(RIG, input_ports={"pads": "*pads*"}, pads=(KICK,))
LOOP = song(section("A", 2, item(PlayAudio("l.wav", "pads", AudioKind.LOOP, every_bars=1))))


def told(rig: Rig, *songs: Song) -> list[str]:
    return [f"{problem.what}: {problem.hint}" for problem in check_hands(rig, songs)]


def test_a_sound_rig_and_song_have_no_problems() -> None:
    rig = replace(SOUND, filters=(Filter("pads", FIXED),))
    fade = song(section("A", 2, item(SourceFade("drums", -6.0, Span(bars=1)))))
    own = song(section("A", 2), pads=(Pad("kick", "other.wav", "other"),))
    assert told(rig, LOOP, fade, own) == []


@pytest.mark.parametrize(
    ("rig", "words"),
    [
        (replace(SOUND, pads=(replace(KICK, port="paads"),)), "did you mean 'pads'?"),
        (replace(SOUND, pads=(replace(KICK, source="click"),)), "something else with 'as'"),
        (replace(SOUND, filters=(Filter("padz", FIXED),)), "did you mean 'pads'?"),
        (
            replace(SOUND, filters=(Filter("pads", replace(FIXED, port="feet", sign=NOTE)),)),
            "'feet' is not an input of the rig",
        ),
        (
            replace(SOUND, controls=(Control("cue", "pads", NOTE),)),
            "the same stroke does 'cue' already",
        ),
    ],
)
def test_names_that_nothing_answers_to(rig: Rig, words: str) -> None:
    found = told(rig, LOOP)
    assert len(found) == 1
    assert words in found[0]


def test_a_songs_pad_needs_a_place() -> None:
    own = song(section("A", 2), pads=(Pad("snare", "snare.wav", "drums"),))
    (found,) = told(SOUND, own)
    assert "nothing says how the pad 'snare' is struck" in found


def test_a_fade_needs_a_sound() -> None:
    fade = song(section("A", 2, item(SourceFade("drumz", -6.0, Span(bars=1)))))
    assert told(SOUND, fade) == ["there is no sound called 'drumz' to fade: did you mean 'drums'?"]


def test_a_mix_may_name_a_pads_source() -> None:
    mixes = (replace(RIG.mixes[1], levels_db={"drums": 0.0, "backing": 0.0}),)
    assert list(check_sources([LOOP], replace(SOUND, mixes=mixes))) == []


def test_a_command_about_a_mix_needs_a_mix_that_is_there() -> None:
    rig = replace(SOUND, pads=(), controls=(Control("mute mix", "pads", NOTE, mix="drumer"),))
    (problem,) = check_controls(rig, [])
    assert problem.hint == "did you mean 'drummer'?"
