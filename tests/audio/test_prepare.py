"""The sounds of a show: decoded, resampled, fitted, brought to one loudness, one by one."""

import sys
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
import soundfile
from building import RIG, item, section, show_of, song
from drums import drum_loop

from syncbox.audio.cache import FOLDER
from syncbox.audio.loudness import integrated_lufs, true_peak_db
from syncbox.audio.prepare import TAIL_S, prepare_legs, prepare_show
from syncbox.audio.voices import click_voices
from syncbox.errors import ShowError, UnreadableError
from syncbox.schedule.compile import compile_practice, compile_show
from syncbox.schedule.fitting import clip_name
from syncbox.schedule.program import SoundStart
from syncbox.score.layout import lay_out
from syncbox.score.rig import SetEntry, TempoTrim
from syncbox.score.rounds import Practice, practice_steps
from syncbox.score.song import AudioKind, FitWay, PlayAudio

RATE = 48_000
LOOP = PlayAudio("drums.flac", "drums", AudioKind.LOOP, every_bars=2, fit=FitWay.SLICES)
STEM = PlayAudio("stem.wav", "strings", AudioKind.STEM)
HIT = PlayAudio("hit.wav", "hits", AudioKind.ONE_SHOT)


@pytest.fixture
def folder(tmp_path):
    loop, _ = drum_loop(100, rate=44_100)
    soundfile.write(tmp_path / "drums.flac", loop.T, 44_100)
    t = np.arange(44_100 * 3) / 44_100
    soundfile.write(tmp_path / "stem.wav", 0.05 * np.sin(2 * np.pi * 997 * t), 44_100)
    soundfile.write(tmp_path / "hit.wav", np.full(2000, 0.1), RATE)
    return tmp_path


def show_in(folder, *plays, tempo=120, entries=(), rig=RIG):
    written = song(section("A", 4, *(item(play) for play in plays)), tempo=tempo)
    return replace(show_of(written, rig=rig, entries=entries), folder=str(folder))


def test_every_sound_comes_at_the_rate_and_loops_at_their_bars(folder):
    clips = prepare_show(show_in(folder, LOOP, STEM, HIT), RATE)
    assert clips["stem.wav"].shape == (1, 3 * RATE)
    assert clips["hit.wav"].shape == (1, 2000)
    (fitted,) = (clip for name, clip in clips.items() if "slices" in name)
    tail = round(TAIL_S * RATE)
    assert fitted.shape == (1, 4 * RATE + tail)
    if tail:  # the loop goes on after its end
        assert (fitted[:, 4 * RATE :] == fitted[:, :tail]).all()
    assert clips.gains == {}


def test_what_was_made_once_is_only_read_again(folder):
    first = prepare_show(show_in(folder, LOOP, STEM), RATE)
    made = {path.name: path.stat().st_ino for path in (folder / FOLDER).iterdir()}
    again = prepare_show(show_in(folder, LOOP, STEM), RATE)
    assert {path.name: path.stat().st_ino for path in (folder / FOLDER).iterdir()} == made
    assert all((first[name] == again[name]).all() for name in first)


def test_a_source_or_a_tempo_that_changes_makes_new_sounds(folder):
    prepare_show(show_in(folder, LOOP), RATE)
    before = {path.name for path in (folder / FOLDER).glob("*.sound")}
    prepare_show(show_in(folder, LOOP, tempo=110), RATE)
    other = {path.name for path in (folder / FOLDER).glob("*.sound")}
    assert len(other - before) == 1
    loop, _ = drum_loop(90, rate=44_100)
    soundfile.write(folder / "drums.flac", loop.T, 44_100)
    clips = prepare_show(show_in(folder, LOOP), RATE)
    assert len({path.name for path in (folder / FOLDER).glob("*.sound")} - other) == 2
    assert clips["drums.flac"].shape[1] == round(8 * 60 / 90 * 44_100) * 160 // 147


def test_tonights_tempo_is_the_one_that_loops_are_fitted_to(folder):
    entry = SetEntry("song-0", trim=TempoTrim(factor=Fraction(11, 10)))
    clips = prepare_show(show_in(folder, LOOP, entries=(entry,)), RATE)
    (fitted,) = (clip for name, clip in clips.items() if "slices" in name)
    exact = Fraction(8 * 60 * RATE * 10, 120 * 11)
    assert abs(fitted.shape[1] - round(TAIL_S * RATE) - exact) <= Fraction(1, 2)


def test_a_slower_rehearsal_has_its_own_loops(folder):
    show = show_in(folder, LOOP)
    written = show.songs["song-0"]
    legs = [step.leg for step in practice_steps(written, Practice(times=2, speed=Fraction(3, 4)))]
    clips = prepare_legs(show, written, legs, RATE)
    (fitted,) = (clip for name, clip in clips.items() if "slices" in name)
    assert fitted.shape[1] - round(TAIL_S * RATE) == round(4 * RATE / 0.75)
    assert len(lay_out(written).legs) < len(legs)


def pitch_hz(sound):
    middle = sound[0, sound.shape[1] // 4 : 3 * sound.shape[1] // 4]
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(len(middle))))
    return float(np.argmax(spectrum)) * RATE / len(middle)


@pytest.mark.parametrize("speed", [Fraction(17, 20), Fraction(6, 5)])
@pytest.mark.parametrize("kind", [AudioKind.STEM, AudioKind.LOOP])
def test_a_sound_that_is_not_fitted_keeps_time_and_pitch_in_a_rehearsal(folder, kind, speed):
    pytest.importorskip("python_stretch", reason="python-stretch is not installed")
    sound = replace(STEM, kind=kind, every_bars=2 * (kind is AudioKind.LOOP))
    show = show_in(folder, sound, HIT)
    written = show.songs["song-0"]
    steps = practice_steps(written, Practice(times=2, speed=speed, raise_by=1 - speed))
    clips = prepare_legs(show, written, [step.leg for step in steps], RATE)
    assert set(clips) == {"stem.wav", f"stem.wav (at {speed} of its speed)", "hit.wav"}
    made = clips[f"stem.wav (at {speed} of its speed)"]
    assert abs(made.shape[1] - clips["stem.wav"].shape[1] / speed) <= Fraction(1, 2)
    assert pitch_hz(made) == pytest.approx(997, rel=0.005)
    assert np.sqrt(np.mean(made**2)) == pytest.approx(0.05 / np.sqrt(2), rel=0.1)


def test_a_rehearsal_at_another_speed_plays_the_slower_sound(folder):
    pytest.importorskip("python_stretch", reason="python-stretch is not installed")
    half = replace(STEM, start_seconds=Fraction(1))
    show = show_in(folder, half)
    practice = Practice(speed=Fraction(1, 2))
    legs = [step.leg for step in practice_steps(show.songs["song-0"], practice)]
    sounds = (prepare_legs(show, show.songs["song-0"], legs, RATE), click_voices(RATE))
    program = compile_practice(show, 0, practice, RATE, sounds)
    starts = [
        (program.clips[event.clip], event.from_frame)
        for leg in program.songs[0].legs
        for event in leg.events
        if isinstance(event, SoundStart) and event.slot >= 0
    ]
    ((clip, from_frame),) = starts
    assert clip.shape[1] == 2 * 3 * RATE
    assert from_frame == 2 * RATE, "the place in the file moves along"


def test_without_the_library_a_slower_rehearsal_lacks_only_that_sound(folder, monkeypatch):
    monkeypatch.setitem(sys.modules, "python_stretch", None)
    show = show_in(folder, STEM, HIT)
    written = show.songs["song-0"]
    legs = [step.leg for step in practice_steps(written, Practice(speed=Fraction(1, 2)))]
    lost = []
    clips = prepare_legs(show, written, legs, RATE, lost=lost)
    assert [each.file for each in lost] == ["stem.wav"]
    assert "hit.wav" in clips


@pytest.mark.parametrize("damage", ["missing", "not a sound", "silent"])
def test_a_bad_file_costs_only_itself_where_that_is_wanted(folder, damage):
    if damage == "missing":
        (folder / "drums.flac").unlink()
    elif damage == "not a sound":
        (folder / "drums.flac").write_bytes(b"these are words")
    else:
        soundfile.write(folder / "drums.flac", np.zeros(90_000), 44_100)
    lost = []
    clips = prepare_show(show_in(folder, LOOP, STEM), RATE, lost=lost)
    assert [each.file for each in lost] == ["drums.flac"]
    assert "stem.wav" in clips
    assert not any("slices" in name for name in clips)
    with pytest.raises((UnreadableError, ShowError)):
        prepare_show(show_in(folder, LOOP, STEM), RATE)


def test_a_sound_outside_the_folder_is_refused(folder):
    with pytest.raises(ShowError, match="outside the show folder"):
        prepare_show(show_in(folder, replace(STEM, file="../a.wav")), RATE)


def test_progress_is_told_from_nothing_to_all(folder):
    told = []
    prepare_show(show_in(folder, LOOP, STEM), RATE, progress=lambda *step: told.append(step))
    assert told[0][:2] == (0, 3)
    assert told[-1][:2] == (3, 3)
    assert [done for done, _, _ in told] == [0, 1, 2, 3]


def test_stems_and_loops_reach_the_rigs_loudness_and_hits_are_left_alone(folder):
    rig = replace(RIG, loudness_lufs=-27.0)
    clips = prepare_show(show_in(folder, LOOP, STEM, HIT, rig=rig), RATE)
    assert "hit.wav" not in clips.gains
    matched = clips["stem.wav"] * np.float32(clips.gains["stem.wav"])
    assert integrated_lufs(matched, RATE) == pytest.approx(-27.0, abs=0.05)


def test_no_peak_passes_the_lowest_ceiling(folder):
    rig = replace(
        RIG, loudness_lufs=-8.0, mixes=tuple(replace(mix, ceiling_db=-9.0) for mix in RIG.mixes)
    )
    clips = prepare_show(show_in(folder, LOOP, STEM, rig=rig), RATE)
    for name, gain in clips.gains.items():
        assert true_peak_db(clips[name] * np.float32(gain)) <= -9.0 + 0.05


def test_a_stem_may_begin_at_its_first_strong_hit(folder):
    loop, _ = drum_loop(100, rate=RATE)
    late = np.pad(loop, ((0, 0), (73_000, 0)))
    soundfile.write(folder / "late.wav", late.T, RATE, subtype="FLOAT")
    found = replace(STEM, file="late.wav", start_found=True)
    show = show_in(folder, found, replace(found, start_found=False, source="other"))
    clips = prepare_show(show, RATE)
    assert clips["late.wav"].shape == late.shape
    assert clips[clip_name(found)].shape[1] == pytest.approx(loop.shape[1], abs=10)
    program = compile_show(show, RATE, clips, click_voices(RATE))
    starts = [e for e in program.songs[0].legs[-1].events if isinstance(e, SoundStart)]
    lengths = {program.clips[e.clip].shape[1] for e in starts if e.slot >= 0}
    assert lengths == {late.shape[1], clips[clip_name(found)].shape[1]}
    assert {e.from_frame for e in starts if e.slot >= 0} == {0}


def test_without_the_library_for_loudness_no_file_is_blamed(folder, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyloudnorm", None)
    show = show_in(folder, LOOP, STEM, rig=replace(RIG, loudness_lufs=-20.0))
    with pytest.raises(UnreadableError, match="pyloudnorm"):
        prepare_show(show, RATE, lost=[])
    assert prepare_show(show_in(folder, LOOP, STEM), RATE).gains == {}


def test_without_the_library_for_stretching_a_loop_is_played_as_it_is(folder, monkeypatch):
    monkeypatch.setitem(sys.modules, "python_stretch", None)
    lost = []
    clips = prepare_show(show_in(folder, replace(LOOP, fit=FitWay.STRETCH)), RATE, lost=lost)
    assert list(clips) == ["drums.flac"]
    assert "pip install" in lost[0].why.hint
