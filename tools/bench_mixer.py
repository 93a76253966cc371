"""The mixer under load: sixteen stereo stems into eight outputs, live blocks and offline.

Beside each figure stands what the bare sums cost: one matrix product of the same stems
with the same levels, which starts nothing, fades nothing and limits nothing. Processor
time of this process, so that other programs do not count.
"""

from __future__ import annotations

import gc
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from bench_table import Options, Row
from numpy.typing import NDArray

from syncbox.audio.mapped import map_sound
from syncbox.audio.voices import click_voices
from syncbox.drivers.offline import play_through
from syncbox.engine import filters
from syncbox.engine.render import render_block
from syncbox.engine.shared import Segment, load_object, share_object
from syncbox.engine.state import EngineState, engine_state
from syncbox.engine.transport import Command
from syncbox.schedule.compile import compile_show
from syncbox.schedule.program import Program
from syncbox.score.hands import Filter, Setting
from syncbox.score.rig import Mix, Rig, SetEntry, SetList, Show
from syncbox.score.song import At, AudioKind, Body, Click, Item, PlayAudio, Section, Song

RATE, STEMS, OUTPUTS, BLOCK_FRAMES, OFFLINE_FRAMES = 48_000, 16, 8, 64, 16_384
SHARE_MAX, SPEED_MIN, MEMORY_GB_MAX = 0.25, 50, 2.0
BARS_A_MINUTE = 30
SHOW_MINUTES, SONG_MINUTES = 120, 4


def _rig(sources: list[str]) -> Rig:
    """Four stereo mixes, all sources in each of them, at levels and places of their own."""
    mixes = []
    for number in range(OUTPUTS // 2):
        levels = {source: -12.0 - (index + number) % 7 for index, source in enumerate(sources)}
        pans = {
            source: (index * 13 + number * 29) % 201 - 100 for index, source in enumerate(sources)
        }
        mixes.append(
            Mix(
                f"mix {number + 1}",
                (2 * number + 1, 2 * number + 2),
                {**levels, "click": -12.0, "count-in": -12.0},
                pans=pans,
            )
        )
    return Rig(mixes=tuple(mixes))


def _show(minutes: float, *, songs: int = 1, filtered: bool = False) -> Show:
    """Songs of sixteen stems; the files of song `load-0` are `load-0/stem-00.wav` and so on."""
    names = [f"stem-{number:02}" for number in range(STEMS)]
    rig = _rig(names)
    if filtered:
        moved = Setting(200.0, 12_000.0, 12_000.0)
        rig = replace(rig, filters=tuple(Filter(n, moved, Setting(0.5, 0.5, 0.5)) for n in names))
    written = {}
    for number in range(songs):
        own = f"load-{number}"
        plays = tuple(Item(At(), PlayAudio(f"{own}/{n}.wav", n, AudioKind.STEM)) for n in names)
        written[own] = Song(
            own,
            own,
            Fraction(120),
            (Section("all", Body(max(1, round(minutes * BARS_A_MINUTE)), plays)),),
            click=Click(subdivision_quarters=Fraction(1, 4)),
        )
    return Show("", rig, SetList("", tuple(map(SetEntry, written))), written)


def _program(minutes: float, *, filtered: bool = False) -> Program:
    show = _show(minutes, filtered=filtered)
    rng = np.random.default_rng(1)
    frames = round(minutes * 60 * RATE)
    clips = {
        f"load-0/stem-{n:02}.wav": rng.standard_normal((2, frames), dtype=np.float32)
        * np.float32(0.02)
        for n in range(STEMS)
    }
    return compile_show(show, RATE, clips, click_voices(RATE))


def _running(program: Program) -> EngineState:
    state = engine_state(program, frames_max=BLOCK_FRAMES, level_db=0.0, soft_start=False)
    state.press(Command.START)
    for _ in range(100):
        render_block(state, state.next_frame, BLOCK_FRAMES)
    return state


def _block_times_us(state: EngineState, blocks: int, *, sweep: bool = False) -> NDArray[np.float64]:
    times = np.empty(blocks)
    stems = [state.program.sources.index(f"stem-{n:02}") for n in range(STEMS)] if sweep else []
    for number in range(blocks):
        began = time.process_time_ns()
        for source in stems:  # every pedal sends a message in every block
            state.mixer.set_filter(source, 0, 200.0 + 90 * (number % 128), 0)
        render_block(state, state.next_frame, BLOCK_FRAMES)
        times[number] = (time.process_time_ns() - began) / 1000
    return times


def _bare_sums_us(program: Program, blocks: int) -> float:
    levels = np.random.default_rng(2).random((OUTPUTS, 2 * STEMS), dtype=np.float32)
    stems = np.concatenate(program.clips[-STEMS:], axis=0)
    out = np.empty((OUTPUTS, BLOCK_FRAMES), dtype=np.float32)
    began = time.process_time_ns()
    for number in range(blocks):
        first = number * BLOCK_FRAMES
        np.matmul(levels, stems[:, first : first + BLOCK_FRAMES], out=out)
    return (time.process_time_ns() - began) / 1000 / blocks


def mixer_load(options: Options) -> Iterator[Row]:
    block_us = BLOCK_FRAMES / RATE * 1e6
    blocks = 3000 if options.quick else 20_000
    minutes = 1.2 * blocks * BLOCK_FRAMES / RATE / 60
    program = _program(minutes)
    bare_us = _bare_sums_us(program, blocks)
    for what, loaded, sweep in (
        ("stems", program, False),
        ("stems, each with a filter that a pedal moves", _program(minutes, filtered=True), True),
    ):
        times = _block_times_us(_running(loaded), blocks, sweep=sweep)
        mean, high = float(np.mean(times)), float(np.quantile(times, 0.99))
        how = "numba" if filters.kernel() is not filters._plain_block else "no numba"
        yield Row(
            f"{STEMS} {what}, {OUTPUTS} outputs, {BLOCK_FRAMES} frames",
            f"{mean:.0f} us, p99 {high:.0f} us",
            "" if sweep else f"under {SHARE_MAX * block_us:.0f} us",
            None if sweep else high < SHARE_MAX * block_us,
            f"{100 * mean / block_us:.1f} % of a block; bare sums {bare_us:.0f} us"
            + (f"; {how}" if sweep else ""),
        )
    yield _offline(1.0 if options.quick else 4.0)
    yield _memory(quick=options.quick)


def _offline(minutes: float) -> Row:
    program = _program(minutes)
    began = time.process_time_ns()
    frames = sum(b.audio.shape[1] for _, b in play_through(program, block_frames=OFFLINE_FRAMES))
    seconds = (time.process_time_ns() - began) / 1e9
    speed = frames / RATE / seconds
    return Row(
        f"the same offline, {minutes:g} minutes",
        f"{speed:.0f} times real time",
        f"over {SPEED_MIN}",
        speed > SPEED_MIN,
        f"one core, blocks of {OFFLINE_FRAMES} frames",
    )


def _own_memory_gb() -> float:
    """What this process holds that the system cannot take back (Linux)."""
    lines = Path("/proc/self/status").read_text().splitlines()
    found = dict(line.split(":", 1) for line in lines if ":" in line)
    return sum(int(found[key].split()[0]) for key in ("RssAnon", "RssShmem")) / 1e6


def _held_while_playing(segment: Segment, songs: int) -> float:
    """Play a program as the engine's process has it; the memory at the end of that."""
    program = load_object(segment)
    for _ in play_through(program, songs=songs, block_frames=OFFLINE_FRAMES):
        pass
    return _own_memory_gb()


def _memory(*, quick: bool) -> Row:
    """A night of sixteen-stem songs whose files are mapped; files of nothing, to spare the disk."""
    count = SHOW_MINUTES // SONG_MINUTES
    shape = (2, SONG_MINUTES * 60 * RATE)
    names = [f"stem-{number:02}" for number in range(STEMS)]
    show = _show(SONG_MINUTES, songs=count)
    before = _own_memory_gb()
    with tempfile.TemporaryDirectory() as folder:
        clips = {}
        for song in show.songs:
            for name in names:
                path = Path(folder) / f"{song}-{name}"
                with path.open("wb") as file:
                    file.truncate(4 * shape[0] * shape[1])
                clips[f"{song}/{name}.wav"] = map_sound(str(path), 0, shape, (4 * shape[1], 4))
        program = compile_show(show, RATE, clips, click_voices(RATE))
        segment = share_object(program)
        try:
            songs = 1 if quick else 3
            held = _held_while_playing(segment, songs) - before
        finally:
            gc.collect()  # whatever looks into the segment
            segment.close()
    whole = sum(clip.nbytes for clip in clips.values()) / 1e9
    return Row(
        f"memory of a {SHOW_MINUTES}-minute show of such songs, {songs} of them played",
        f"{held:.2f} GB",
        f"under {MEMORY_GB_MAX:g} GB",
        held < MEMORY_GB_MAX,
        f"host and engine; its sounds, mapped from files: {whole:.1f} GB",
    )
