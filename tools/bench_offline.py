"""An evening offline: thirty songs, two hours, four outputs, on two cores.

The target is for the rendering. As files it is as fast as the disk, which stands beside it.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
import wave
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import joblib
import numpy as np
from bench_table import Options, Row

from syncbox.audio.voices import click_voices
from syncbox.drivers.offline import play_through
from syncbox.engine.script import CueScript
from syncbox.lab.reference import reference_rig, reference_song
from syncbox.pack.render import BLOCK_FRAMES, render_show, song_jobs
from syncbox.schedule.compile import compile_show
from syncbox.schedule.program import Program
from syncbox.score.rig import (
    CLICK_SOURCE,
    COUNT_IN_SOURCE,
    EVERYTHING_ELSE,
    Mix,
    SetEntry,
    SetList,
    Show,
)
from syncbox.score.song import At, AudioKind, Item, PlayAudio, Song

RATE, SONGS, SONG_S, OUTPUTS = 48_000, 30, 240.0, 4
TARGET_S = 20.0
LOOP = "audio/loop.wav"


def _write_loop(folder: Path) -> None:
    """Four seconds of stereo noise, quiet: what it sounds like is no matter here."""
    noise = np.random.default_rng(1).integers(-3000, 3000, 2 * 4 * RATE, dtype=np.int16)
    (folder / "audio").mkdir()
    with wave.open(str(folder / LOOP), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(noise.tobytes())


def _song(number: int) -> Song:
    """The reference song with a loop under every section."""
    song = reference_song(SONG_S)
    loop = Item(At(), PlayAudio(LOOP, "loops", AudioKind.LOOP, every_bars=2))
    sections = tuple(
        replace(part, body=replace(part.body, items=(*part.body.items, loop)))
        for part in song.sections
    )
    return replace(song, id=f"song-{number:02}", title=f"Song {number}", sections=sections)


def _show(folder: Path, songs: int) -> Show:
    levels = {CLICK_SOURCE: -6.0, COUNT_IN_SOURCE: -6.0, EVERYTHING_ELSE: -9.0}
    mixes = (Mix("band", (1, 2), levels), Mix("drums", (3, 4), levels))
    all_songs = {song.id: song for song in map(_song, range(songs))}
    set_list = SetList("Evening", tuple(SetEntry(name) for name in all_songs))
    return Show(str(folder), replace(reference_rig(OUTPUTS), mixes=mixes), set_list, all_songs)


def _play(program: Program) -> int:
    return sum(b.audio.shape[1] for _, b in play_through(program, block_frames=BLOCK_FRAMES))


def _engine_alone(show: Show, entry: SetEntry) -> int:
    alone = replace(show, set_list=SetList("", (entry,)))
    loop = np.random.default_rng(1).uniform(-0.1, 0.1, (2, 4 * RATE)).astype(np.float32)
    return _play(compile_show(alone, RATE, {LOOP: loop}, click_voices(RATE)))


def evening(options: Options) -> Iterator[Row]:
    songs = 2 if options.quick else SONGS
    target = TARGET_S * songs / SONGS
    cores = os.cpu_count() or 1
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _write_loop(folder)
        show = _show(folder, songs)
        work = joblib.Parallel(n_jobs=2)
        work(joblib.delayed(abs)(-1) for _ in range(4))  # both workers are there
        began = time.perf_counter()
        frames = sum(work(joblib.delayed(_engine_alone)(show, e) for e in show.set_list.entries))
        engine_s = time.perf_counter() - began
        hours = frames / RATE / 3600
        yield Row(
            f"{songs} songs, {hours:.2f} h, {OUTPUTS} outputs, rendered in memory",
            f"{engine_s:.1f} s",
            f"under {target:.1f} s",
            engine_s < target,
            f"two processes on {cores} cores; {hours * 3600 / engine_s:.0f} times real time",
        )
        out = folder / "out"
        began = time.perf_counter()
        render_show(
            song_jobs(show, out, rate=RATE, script=CueScript()), lambda _done: None, processes=2
        )
        files_s = time.perf_counter() - began
        size = sum(path.stat().st_size for path in out.rglob("*") if path.is_file()) / 1e9
        began = time.perf_counter()
        _write_plain(out / "plain", round(size * 1e9))
        plain_s = time.perf_counter() - began
        yield Row(
            f"the same as files ({size:.2f} GB)",
            f"{files_s:.1f} s",
            beside=f"the disk alone, for as many bytes of zeros: {plain_s:.1f} s",
        )
        shutil.rmtree(out)


def _write_plain(path: Path, size: int) -> None:
    chunk = bytes(1 << 20)
    with path.open("wb") as file:
        for _ in range(size >> 20):
            file.write(chunk)
        file.flush()
        os.fsync(file.fileno())
