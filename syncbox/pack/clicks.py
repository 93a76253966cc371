"""The clicks of a song on their own: one mono file to practise with, in a moment.

It begins with the count-in as the files of `render` do, so both can be laid side by side.
"""

from __future__ import annotations

from math import floor

import numpy as np
from numpy.typing import NDArray

from syncbox.audio.clicktrack import click_track
from syncbox.audio.voices import click_voices
from syncbox.audio.wav import Marker, WavWriter
from syncbox.pack.render import RenderedSong, SongJob, unwritable
from syncbox.pack.usual import marks
from syncbox.schedule.compile import compile_show
from syncbox.schedule.program import Program, SoundStart
from syncbox.score.layout import Step, usual_path
from syncbox.score.rig import COUNT_IN_SOURCE
from syncbox.units import round_half_up

CLICK_NAME = "click.wav"

Placed = tuple[list[int], list[NDArray[np.float32]]]  # where each sound begins, and its samples


def render_clicks(job: SongJob) -> RenderedSong:
    """Write a song's click.wav into its folder, which is made.

    Raises UnreadableError for a file that cannot be written.
    """
    route = job.route()
    steps = usual_path(route)
    opening = floor(steps[0].start_s * job.rate)
    end = steps[-1].start_s + steps[-1].leg.duration_s
    length = round_half_up(end * job.rate) - opening
    frames, sounds = placed_clicks(_program(job), steps, -opening)
    with unwritable(job.folder):
        job.folder.mkdir(parents=True, exist_ok=True)
        path = job.folder / CLICK_NAME
        with WavWriter(path, rate=job.rate, channel_count=1) as file:
            file.markers += [
                Marker(round_half_up(seconds * job.rate) - opening, label)
                for _, seconds, label in marks(route)
            ]
            for block in click_track(frames, sounds, length):
                file.write(block[None])
    return RenderedSong(route.song.title, job.folder, (path,), length)


def _program(job: SongJob) -> Program:
    return compile_show(job.show, job.rate, {}, click_voices(job.rate))


def placed_clicks(program: Program, steps: tuple[Step, ...], bar_one: int) -> Placed:
    """Every click of the first song and of its count-in, by frame.

    `bar_one` is the frame of its first downbeat.
    """
    heard = program.click_sources | {program.sources.index(COUNT_IN_SOURCE)}
    voices: dict[tuple[int, float], NDArray[np.float32]] = {}
    placed: list[tuple[int, int, NDArray[np.float32]]] = []
    for step in steps:
        leg = program.songs[0].legs[step.leg.index]
        frames = leg.event_offsets.frames(step.start_s * program.rate + bar_one)
        for at, event in zip((frames + leg.event_shifts).tolist(), leg.events, strict=True):
            if isinstance(event, SoundStart) and event.source in heard:
                made = (event.clip, event.gain)
                if made not in voices:
                    voices[made] = program.clips[event.clip][0] * np.float32(event.gain)
                placed.append((at, len(placed), voices[made]))
    placed.sort(key=lambda sound: sound[:2])
    return [at for at, _, _ in placed], [sound for _, _, sound in placed]
