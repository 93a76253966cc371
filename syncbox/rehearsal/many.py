"""Several takes read at once, on all cores or on whatever joblib is told to use."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from syncbox.errors import SyncboxError
from syncbox.rehearsal.intake import look_over, onsets_of_file
from syncbox.rehearsal.others import beside_free, beside_others
from syncbox.rehearsal.reading import TakeReading, read_take
from syncbox.score.song import Song


def read_one(
    song: Song,
    path: Path,
    *,
    channel: int | None = None,
    locked_at_s: float | None = None,
    speed: float | None = None,
    others: Sequence[Song] = (),
) -> TakeReading:
    """A take on disk held against a song; in doubt also against others of the show.

    Raises as `onsets_of_file` does.
    """
    seen = look_over(path)
    onsets = onsets_of_file(path, channel=channel, seen=seen)
    found = read_take(song, onsets, locked_at_s=locked_at_s, speed=speed)
    if locked_at_s is not None:
        found = beside_free(found, song, onsets, locked_at_s)
    elif speed is None:  # nobody knows better which song it is
        found = beside_others(found, others, onsets)
    return replace(found, notes=(*found.notes, *seen.damage))


def _read_or_why(song: Song, path: Path, **how: Any) -> TakeReading | SyncboxError:
    try:
        return read_one(song, path, **how)
    except SyncboxError as error:
        return error


def read_takes(
    song: Song,
    paths: Sequence[Path],
    *,
    channel: int | None = None,
    locked_at_s: float | None = None,
    speed: float | None = None,
    others: Sequence[Song] = (),
    jobs: int | None = None,
) -> list[TakeReading | SyncboxError]:
    """Takes in order; where one cannot be read, why. A single one raises as `read_one` does.

    Without `jobs`: one for each core, or what `joblib.parallel_config` says.
    """
    how: dict[str, Any] = {
        "channel": channel,
        "locked_at_s": locked_at_s,
        "speed": speed,
        "others": tuple(others),
    }
    if len(paths) == 1:
        return [read_one(song, paths[0], **how)]
    from joblib import Parallel, delayed

    os.environ.setdefault("OMP_NUM_THREADS", "1")
    asked = (delayed(_read_or_why)(song, path, **how) for path in paths)
    if jobs is None:
        from joblib.parallel import get_active_backend

        _, configured = get_active_backend()
        jobs = configured if configured not in (None, 1) else -1
    return list(Parallel(n_jobs=jobs)(asked))
