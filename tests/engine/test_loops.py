"""Fitted loops in the engine: round after round without a step, however the frames fall."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
import soundfile
from building import RIG, item, play, section, show_of, song
from drums import drum_loop

from syncbox.audio.prepare import prepare_show
from syncbox.audio.voices import click_voices
from syncbox.schedule.compile import compile_show
from syncbox.score.rig import Mix
from syncbox.score.song import AudioKind, Click, ClickBeats, FitWay, PlayAudio, Ramp, Span

RATE = 48_000
SILENT = Click(ClickBeats.OFF)
RIG_ONE = replace(RIG, mixes=(Mix("band", (1,), {"backing": 0.0}, ceiling_db=0.0),))


def heard(folder, way, sound, *more, tempo, bars=40):
    """One output with nothing but the loop, every bar, from its first frame on."""
    soundfile.write(folder / "loop.wav", sound.T, RATE, subtype="FLOAT")
    loop = PlayAudio("loop.wav", "pads", AudioKind.LOOP, every_bars=2, fit=way)
    written = song(section("A", bars, item(loop), *more), tempo=tempo, click=SILENT)
    show = replace(show_of(written, rig=RIG_ONE), folder=str(folder))
    clips = prepare_show(show, RATE)
    out = play(compile_show(show, RATE, clips, click_voices(RATE))).audio[0]
    first = int(np.flatnonzero(out)[0])
    largest = max(float(np.abs(np.diff(c)).max()) for name, c in clips.items() if "(" in name)
    return out[first:], largest


def pad():
    t = np.arange(round(4.8 * RATE)) / RATE
    cycles = (240 * 4.8, 360 * 4.8)  # whole ones: the pad goes round by itself
    sound = sum(0.2 * np.cos(2 * np.pi * round(n) * t / 4.8) for n in cycles)
    return sound.astype(np.float32)[np.newaxis]


@pytest.mark.parametrize("way", [FitWay.SLICES, FitWay.STRETCH, FitWay.RESAMPLE])
@pytest.mark.parametrize("tempo", [Fraction(1013, 10), Fraction(1070, 11), Fraction(100)])
def test_twenty_rounds_of_a_pad_without_a_step(tmp_path, way, tempo):
    """A pad is loud where its rounds meet; rounds are a frame longer or shorter in turn."""
    out, largest = heard(tmp_path, way, pad(), tempo=tempo)
    inside = out[: int(20 * 8 * 60 / tempo * RATE) - 10]
    assert float(np.abs(np.diff(inside)).max()) <= largest * 1.01


def test_the_level_stays_where_rounds_meet(tmp_path):
    out, _ = heard(tmp_path, FitWay.RESAMPLE, pad(), tempo=Fraction(1013, 10))
    power = np.convolve(out.astype(np.float64) ** 2, np.ones(800) / 800, "valid")
    level = np.sqrt(power[: 19 * round(8 * 60 / 101.3 * RATE)])
    assert level.max() / level.min() < 1.1


def test_drums_along_a_ramp_lie_on_every_beat(tmp_path):
    loop, _ = drum_loop(100)
    ramp = item(Ramp(Fraction(140), Span(bars=8)))
    out, _ = heard(tmp_path, FitWay.SLICES, loop, ramp, tempo=90, bars=8)
    from syncbox.audio.onsets import find_onsets
    from syncbox.score.layout import lay_out

    leg = lay_out(song(section("A", 8, ramp), tempo=90)).legs[-1]
    beats = np.array([float(leg.tempo_map.seconds_at(tick)) for _, _, tick in leg.beats()])
    hits = find_onsets(out[np.newaxis], RATE).frames / RATE
    errors_ms = [np.abs(hits - beat).min() * 1000 for beat in beats]
    assert max(errors_ms) <= 2.0


def test_the_end_of_the_section_is_a_fade_and_not_a_cut(tmp_path):
    out, largest = heard(tmp_path, FitWay.RESAMPLE, pad(), tempo=100, bars=4)
    assert float(np.abs(np.diff(out)).max()) <= largest * 1.01
    assert not out[-100:].any()
