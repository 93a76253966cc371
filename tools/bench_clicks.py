"""Click tracks beside librosa.clicks and mir_eval.sonify.clicks.

The job is one mono track with accents, beats and sixteenths, ten minutes at 48 kHz. The
libraries place one sound a call, so they are called once for each voice and added up.
They give the whole track as one array; ours come block by block, as they go into a file.

The target is for the clicks alone. Beside it stands the engine, which on its way to the
same samples also decides what is played, walks the messages, mixes and limits.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator
from fractions import Fraction

import numpy as np
from bench_table import Options, Row, median_s, ratio
from numpy.typing import NDArray

from syncbox.audio.clicktrack import click_track
from syncbox.audio.voices import click_voices
from syncbox.drivers.offline import PREROLL_SECONDS, play_through
from syncbox.schedule.compile import compile_show
from syncbox.schedule.program import Program, SoundStart
from syncbox.score.rig import CLICK_SOURCE, Mix, Rig, SetEntry, SetList, Show
from syncbox.score.song import Body, Click, CountIn, Section, Song

RATE, BARS, TEMPO_QPM, TARGET = 48_000, 318, 127, 5
BLOCK_FRAMES = 16_384
START_DELAY_FRAMES = 50 * RATE // 1000

Starts = list[tuple[NDArray[np.float32], NDArray[np.int64]]]  # a voice, and where it begins


def _program(bars: int) -> Program:
    song = Song(
        "clicks",
        "Clicks",
        Fraction(TEMPO_QPM),
        (Section("all", Body(bars)),),
        count_in=CountIn(),
        click=Click(subdivision_quarters=Fraction(1, 4)),
    )
    # Without a ceiling and with the engine at full level: the libraries have neither.
    rig = Rig(mixes=(Mix("mono", (1,), {CLICK_SOURCE: 0.0}, ceiling_db=0.0),))
    show = Show("", rig, SetList("", (SetEntry(song.id),)), {song.id: song})
    return compile_show(show, RATE, {}, click_voices(RATE))


def _starts(program: Program) -> Starts:
    by_clip: dict[int, list[NDArray[np.int64]]] = {}
    for leg in program.songs[0].legs:
        frames = leg.event_offsets.frames(leg.route_start)
        clips = np.array([e.clip if isinstance(e, SoundStart) else -1 for e in leg.events])
        for clip in set(clips.tolist()) - {-1}:
            by_clip.setdefault(clip, []).append(frames[clips == clip])
    return [(program.clips[clip][0], np.concatenate(frames)) for clip, frames in by_clip.items()]


def _engine(program: Program) -> NDArray[np.float32]:
    blocks = [b.audio[0].copy() for _, b in play_through(program, block_frames=BLOCK_FRAMES)]
    return np.concatenate(blocks)[PREROLL_SECONDS * RATE + START_DELAY_FRAMES :]


def _exhaust(blocks: Iterable[object]) -> None:
    for _ in blocks:
        pass


def _alone(starts: Starts, length: int) -> Iterator[NDArray[np.float32]]:
    """As `syncbox render --click` makes its file."""
    placed = sorted((f, v) for v, (_, frames) in enumerate(starts) for f in frames.tolist())
    sounds = [starts[voice][0] for _, voice in placed]
    return click_track([frame for frame, _ in placed], sounds, length)


def _librosa(starts: Starts, length: int) -> NDArray[np.float32]:
    import librosa

    parts = (
        librosa.clicks(frames=frames, sr=RATE, hop_length=1, click=voice, length=length)
        for voice, frames in starts
    )
    return _sum(parts)


def _mir_eval(starts: Starts, length: int) -> NDArray[np.float32]:
    import mir_eval

    parts = (
        # half a frame on: seconds are cut down to frames there
        mir_eval.sonify.clicks((frames + 0.5) / RATE, RATE, click=voice, length=length)
        for voice, frames in starts
    )
    return _sum(parts)


def _sum(parts: Iterator[NDArray[np.float32]]) -> NDArray[np.float32]:
    total = next(parts)
    for part in parts:
        total += part
    return total


def click_tracks(options: Options) -> Iterator[Row]:
    program = _program(BARS // 10 if options.quick else BARS)
    starts = _starts(program)
    count = sum(len(frames) for _, frames in starts)
    length = max(int(frames[-1]) for _, frames in starts) + RATE
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        librosa_s = median_s(lambda: _librosa(starts, length), options.repeats)
        mir_eval_s = median_s(lambda: _mir_eval(starts, length), options.repeats)
        expected = _librosa(starts, length)
        alone = np.concatenate([block.copy() for block in _alone(starts, length)])
        same = [alone, _mir_eval(starts, length)]
    engine = _engine(program)
    apart = max(
        float(np.abs(expected[: len(engine)] - engine[:length]).max()),
        *(float(np.abs(expected - other).max()) for other in same),
    )
    beside = f"librosa {librosa_s * 1000:.0f} ms, mir_eval {mir_eval_s * 1000:.0f} ms"
    alone_s = median_s(lambda: _exhaust(_alone(starts, length)), options.repeats)
    yield Row(
        f"{count} clicks in {length / RATE:.0f} s of sound",
        f"{alone_s * 1000:.0f} ms",
        f"{TARGET} times faster",
        min(librosa_s, mir_eval_s) / alone_s >= TARGET and apart < 1e-6,
        f"{beside}: {ratio(librosa_s, alone_s)}, {ratio(mir_eval_s, alone_s)}; "
        f"samples within {apart:.0e}",
    )
    engine_s = median_s(
        lambda: _exhaust(play_through(program, block_frames=BLOCK_FRAMES)), options.repeats
    )
    yield Row(
        "the same by the engine, with all else that it does",
        f"{engine_s * 1000:.0f} ms",
        beside=f"{ratio(librosa_s, engine_s)}, {ratio(mir_eval_s, engine_s)}",
    )
