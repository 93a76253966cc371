"""A show as files that plain hardware can play: what the engine plays, written down.

Each song of the set gets a folder with one WAV for each listener mix, one Standard
MIDI File for each port, and the event log. The sound files begin with the count-in
(else the pickup, else bar 1), on the frame that makes bar 1 fall on a whole frame; all
of them begin together, and the MIDI files with them. A song that follows without a
break on the night begins with its own count-in here.

Songs are rendered side by side, one process a core. Two runs give the same bytes.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from math import floor
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from syncbox.audio.prepare import prepare_show
from syncbox.audio.voices import click_voices
from syncbox.audio.wav import Marker, WavWriter
from syncbox.drivers.offline import play_state
from syncbox.engine.script import CueScript
from syncbox.engine.state import EngineState, engine_state
from syncbox.errors import ShowError, UnreadableError
from syncbox.pack.eventlog import EventLog
from syncbox.pack.smf import song_smf
from syncbox.pack.usual import cued, marks, shares
from syncbox.schedule.codes import set_codes
from syncbox.schedule.compile import compile_show
from syncbox.schedule.program import Program
from syncbox.score.layout import Route, lay_out
from syncbox.score.night import tonight
from syncbox.score.rig import SetEntry, Show
from syncbox.units import round_half_up

BLOCK_FRAMES = 16_384
LOG_NAME = "events.jsonl"

# Names that Windows keeps for devices, whatever their ending.
_DEVICE_NAME = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class SongJob:
    """One song to render: a show with a set of one, and where its files go."""

    show: Show
    folder: Path
    rate: int
    script: CueScript

    @property
    def entry(self) -> SetEntry:
        return self.show.set_list.entries[0]

    def route(self) -> Route:
        """The song as it is played tonight with the script's cues."""
        song = self.show.songs[self.entry.song_id]
        return cued(lay_out(tonight(song, self.entry)), self.script)


@dataclass(frozen=True, slots=True)
class RenderedSong:
    """What came of a job."""

    title: str
    folder: Path
    files: tuple[Path, ...]
    frame_count: int  # of every sound file


def song_jobs(show: Show, folder: Path, *, rate: int, script: CueScript) -> list[SongJob]:
    """A job for every song of the set, in folders named by number and song."""
    entries = show.set_list.entries
    routes = [lay_out(tonight(show.songs[entry.song_id], entry)) for entry in entries]
    digits = max(2, len(str(len(entries))))
    return [
        SongJob(
            replace(
                show,
                songs={entry.song_id: replace(show.songs[entry.song_id], time_code=code)},
                set_list=replace(show.set_list, entries=(entry,)),
            ),
            folder / f"{number:0{digits}}-{file_name(entry.song_id)}",
            rate,
            share,
        )
        for number, (entry, share, code) in enumerate(
            zip(entries, shares(script, routes), set_codes(show), strict=True), start=1
        )
    ]


def render_show(
    jobs: Sequence[SongJob],
    done: Callable[[RenderedSong], None],
    *,
    processes: int = 0,
    render: Callable[[SongJob], RenderedSong] | None = None,
) -> None:
    """Render all jobs, `processes` at a time (0: one a core); `done` hears of each in any order.

    `render` makes the files of one job, `render_song` if it is not given.

    Raises ShowError for a song that cannot be rendered and UnreadableError for a file
    that cannot be read or written.
    """
    import joblib

    render = render or render_song
    count = min(len(jobs), processes or joblib.cpu_count())
    if count <= 1:  # no other process has to start
        for job in jobs:
            done(render(job))
        return
    work = joblib.Parallel(n_jobs=count, return_as="generator_unordered", batch_size=1)
    for song in work(joblib.delayed(render)(job) for job in jobs):
        done(song)


def render_song(job: SongJob) -> RenderedSong:
    """Render one song into its folder, which is made. Raises as `render_show` does."""
    route = job.route()
    with unwritable(job.folder):
        job.folder.mkdir(parents=True, exist_ok=True)
        midi_files = _write_midi(job, route)
        sound_files, frame_count = _write_sound(job, route)
    log_file = job.folder / LOG_NAME
    files = (*sound_files, *midi_files, log_file)
    return RenderedSong(route.song.title, job.folder, files, frame_count)


@contextmanager
def unwritable(folder: Path) -> Iterator[None]:
    """Say a file that cannot be written as a musician can use it. Raises UnreadableError."""
    try:
        yield
    except OSError as problem:
        raise UnreadableError(
            f"cannot write the files: {problem.strerror or problem}",
            where=str(problem.filename or folder),
            hint="choose another folder with -o",
        ) from None


def _write_midi(job: SongJob, route: Route) -> tuple[Path, ...]:
    rig = job.show.rig
    names = file_names((port.name for port in rig.ports), ".mid")
    for port in rig.ports:
        with whole_file(job.folder / names[port.name]) as file:
            file.write(song_smf(route, rig, port))
    return tuple(job.folder / name for name in names.values())


def _program(job: SongJob) -> Program:
    clips = prepare_show(job.show, job.rate)
    return compile_show(job.show, job.rate, clips, click_voices(job.rate))


def _write_sound(job: SongJob, route: Route) -> tuple[tuple[Path, ...], int]:
    """Play the song through once: the sound of every mix, and the log of every message."""
    program = _program(job)
    state = engine_state(
        program, frames_max=BLOCK_FRAMES, level_db=0.0, soft_start=False, script=job.script
    )
    names = file_names((mix.name for mix in program.mixes), ".wav")
    paths = {mix: job.folder / names[mix.name] for mix in program.mixes}
    frame_count = 0
    with ExitStack() as open_files:
        writers = [
            WavWriter(paths[mix], rate=job.rate, channel_count=len(mix.channels))
            for mix in program.mixes
        ]
        for writer in writers:
            open_files.enter_context(writer)
            writer.markers += _markers(route, job.rate)
        log_file = open_files.enter_context(whole_file(job.folder / LOG_NAME))
        log = EventLog(log_file, [port.name for port in program.rig.ports])
        for first_frame, sound, events in _played(state):
            log.write(events, first_frame)
            frame_count += sound.shape[1]
            for mix, writer in zip(program.mixes, writers, strict=True):
                writer.write(sound[_rows(mix.channels)])
    return tuple(paths.values()), frame_count


def _played(
    state: EngineState,
) -> Iterator[tuple[int, NDArray[np.float32], list[tuple[int, int, bytes, str]]]]:
    """Blocks from the first frame of the music on: (frame, sound, messages from that frame).

    What was sent before comes first, with negative offsets and no sound.
    """
    before: list[tuple[int, int, bytes, str]] = []
    origin: int | None = None
    for first, block in play_state(state, block_frames=BLOCK_FRAMES, tail_seconds=0.0):
        if origin is None:
            if not state.runs:
                before += ((first + at, port, data, why) for at, port, data, why in block.midi)
                continue
            origin = floor(state.runs[0].start)
            yield -origin, block.audio[:, :0], before
        yield first - origin, block.audio[:, max(0, origin - first) :], block.midi
    if origin is None:
        raise ShowError(f"{state.song.title} is too short to render")


def _rows(channels: tuple[int, ...]) -> slice | list[int]:
    """Index of a mix's channels; neighbours are taken without a copy."""
    first = channels[0]
    if channels == tuple(range(first, first + len(channels))):
        return slice(first, first + len(channels))
    return list(channels)


def _markers(route: Route, rate: int) -> Iterator[Marker]:
    """The parts of the song at their frames, exactly where the engine begins them."""
    places = list(marks(route))
    opening = floor(places[0][1] * rate)
    for _, seconds, label in places:
        yield Marker(round_half_up(seconds * rate) - opening, label)


def file_names(names: Iterable[str], ending: str) -> dict[str, str]:
    """A file name for each name, no two alike on any system."""
    taken: set[str] = set()
    chosen: dict[str, str] = {}
    for name in names:
        base, number = file_name(name), 1
        candidate = base
        while candidate.casefold() in taken:
            number += 1
            candidate = f"{base}-{number}"
        taken.add(candidate.casefold())
        chosen[name] = candidate + ending
    return chosen


def file_name(name: str) -> str:
    """A name that every system takes: no signs that mean something in a path, not a device's."""
    plain = re.sub(r"[^\w .-]+", "-", name).strip(" .") or "unnamed"
    return f"{plain}-" if _DEVICE_NAME.fullmatch(plain) else plain


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """A file that appears under its name when it is complete, and not at all after an error."""
    part = path.with_name(path.name + ".part")
    try:
        with part.open("wb") as file:
            yield file
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
