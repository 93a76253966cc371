"""Two hours of songs of sixteen stems in 2 GB, files in the computer's cache among them.

A process of its own prepares the show and plays into every song of it. Where this
computer lets us (root, control groups) it has 2 GB and not a byte more: what it reads
of files counts as well, and more than that is refused. The sound is noise, several
gigabytes of it on the disk; the 24 songs take their stems from 8 recordings in turn.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from bench_table import Options, Row

LIMIT = 2 * 1024**3
SONGS, RECORDINGS, STEMS, SONG_S = 24, 8, 16, 300
RATE = 48_000
LISTEN_S = 6.0  # into each song
GROUP = Path("/sys/fs/cgroup/memory/syncbox-bench")


def _write_show(folder: Path, songs: int, recordings: int, seconds: int) -> None:
    import soundfile

    rng = np.random.default_rng(2)
    noise = (rng.standard_normal((10 * RATE, 1)) * 0.02).astype(np.float32)
    (folder / "audio").mkdir()
    for number in range(recordings):
        for stem in range(STEMS):
            path = folder / "audio" / f"r{number}-s{stem}.wav"
            with soundfile.SoundFile(path, "w", RATE, 1, "PCM_16") as file:
                for _ in range(seconds // 10):
                    file.write(noise * rng.uniform(0.5, 1.0))  # no two files are the same
    names = [f"song-{song:02}" for song in range(songs)]
    for song, name in enumerate(names):
        plays = "".join(
            f"      - {{stem: audio/r{song % recordings}-s{stem}.wav, as: s{stem}}}\n"
            for stem in range(STEMS)
        )
        (folder / f"{name}.yaml").write_text(
            f"syncbox: 1\ntitle: Song {song}\ntempo: 120\nsections:\n"
            f"  - section: All\n    bars: {seconds // 2}\n    play:\n{plays}"
        )
    songs_of_the_set = "".join(f"  - {name}\n" for name in names)
    (folder / "setlist.yaml").write_text(f"syncbox: 1\ntitle: Evening\nsongs:\n{songs_of_the_set}")


def play_into_every_song(folder: Path) -> dict[str, float]:
    """Prepare the show, start every song and listen to its beginning."""
    from syncbox.audio.prepare import prepare_show
    from syncbox.audio.voices import click_voices
    from syncbox.drivers.session import open_session
    from syncbox.engine.transport import Command, State
    from syncbox.schedule.compile import compile_show
    from syncbox.score.reading import read_show

    show = read_show(folder, problems=[])
    began = time.perf_counter()
    clips = prepare_show(show, RATE)
    prepared_s = time.perf_counter() - began
    program = compile_show(show, RATE, clips, click_voices(RATE))
    sounding = 0
    with open_session(program, "simulated", soft_start=False) as session:
        for song in range(len(show.songs)):
            session.press(Command.START)
            time.sleep(LISTEN_S)
            now = session.status().now
            sounding += now.song_index == song and now.transport == State.ROLLING
            session.press(Command.STOP)
            session.press(Command.NEXT_SONG)
            time.sleep(0.2)
    status = session.status()
    return {
        "prepared_s": prepared_s,
        "sounding": sounding,
        "dropouts": status.dropouts,
        "lost_s": status.lost_frames / RATE,
    }


@contextmanager
def _limited() -> Iterator[Path | None]:
    """A control group of 2 GB for one process; None where that is not ours to make."""
    try:
        GROUP.mkdir(exist_ok=True)
        (GROUP / "memory.limit_in_bytes").write_text(str(LIMIT))
    except OSError:
        yield None
        return
    try:
        yield GROUP
    finally:
        for _ in range(100):  # until the last of its processes has gone
            try:
                GROUP.rmdir()
                break
            except OSError:
                time.sleep(0.1)


def evening_in_memory(options: Options) -> Iterator[Row]:
    """Prepare and play under the limit."""
    songs, recordings, seconds = (2, 2, 60) if options.quick else (SONGS, RECORDINGS, SONG_S)
    with tempfile.TemporaryDirectory() as name, _limited() as group:
        folder = Path(name)
        _write_show(folder, songs, recordings, seconds)
        join = "" if group is None else f"echo $$ > {group}/cgroup.procs && "
        command = f"{join}exec {sys.executable} {Path(__file__)} {folder}"
        done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False)
        kept = sum(f.stat().st_size for f in (folder / ".prepared").rglob("*") if f.is_file())
        title = f"{songs} songs of {STEMS} stems, {songs * seconds / 3600:.1f} h"
        if done.returncode:
            yield Row(title, f"ended with {done.returncode}", "2 GB", False, done.stderr[-200:])
            return
        told = json.loads(done.stdout)
        if group is None:
            yield Row(title, "played", "2 GB", None, "no limit could be set on this computer")
            return
        peak = int((group / "memory.max_usage_in_bytes").read_text())
        yield Row(
            title,
            f"{told['sounding']} songs sounded, {told['lost_s']:.2f} s lost",
            "in 2 GB, every song",
            told["sounding"] == songs,
            f"{kept / 1e9:.1f} GB of sounds made ready in {told['prepared_s']:.0f} s; most "
            f"that was held {peak / 1e9:.2f} GB, files in the cache among it",
        )


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))
    print(json.dumps(play_into_every_song(Path(sys.argv[1]))))
    sys.stdout.flush()
    os._exit(0)
