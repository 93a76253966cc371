"""Takes of published music for `bench_records.py`, with what is true of them.

Some were published as sound too and are cut or spliced here; the others are rendered from
MIDI files, played with a tempo that wanders or with a slip.
"""

from __future__ import annotations

import pickle
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from found_music import (
    DRUMS,
    Manner,
    Music,
    blocks_of,
    looks_of,
    music_of,
    performed,
    rendered,
)
from found_sounds import OPENMSX, found_bytes, found_like, found_sound

from syncbox.rehearsal.onsets import RATE, Onsets, onsets_of

LONGEST_S = 130.0  # of a piece; more of it says little more
SHORTEST_S = 40.0
# Seconds by which a recording lags its file: for the bands what was measured on the highs of
# their recordings against the sixteenths of the file. The others begin with their first beat,
# which some of their files have a tenth of a quarter after the line.
BANDS = {"band-140": 0.040, "band-170": 0.002, "band-190": 0.004}
FITTED_RECORDINGS = tuple(f"blupi-{n}" for n in (0, 2, 4, 6, 8))
ON_GRID = 0.3  # length of the mean vector of note starts
FITTED_EVERY = 3  # of the rendered pieces, mixed
RENDERED = ("plain", "drift", "missing", "doubled", "noise")
RECORDED = ("plain", "missing", "doubled", "noise")
NOISE_DB = 10.0


@dataclass
class Piece:
    name: str
    music: Music
    drummed: bool = True

    @property
    def recorded(self) -> bool:
        """Whether it was published as sound too; the others are rendered here."""
        return self.name.startswith(("band", "blupi"))

    @property
    def seconds(self) -> float:
        beats = self.music.beats_s()
        return float(beats[-1] - beats[0])


@dataclass
class Take:
    """A sound and what is true of it."""

    piece: Piece
    kind: str
    onsets: Onsets
    order: tuple[int, ...]
    beats_s: list[np.ndarray]
    slip: int | None = None  # bar number, from 1
    known: bool = False  # whether nothing near sounds the same, and its section comes twice


def pieces() -> list[Piece]:
    """Everything that is there, recordings first."""
    out = [Piece(name, music_of(found_bytes(f"{name}-notes.mid"), silence=True)) for name in BANDS]
    out += [Piece(f"blupi-{n}", music_of(found_bytes(f"blupi-{n}.mid"))) for n in range(10)]
    for path in found_like(OPENMSX, "*/openmsx/*.mid"):
        out.append(Piece(f"openmsx-{len(out) - 12}", music_of(path.read_bytes())))
    seen = set()
    for wad in ("freedoom1", "freedoom2"):
        for lump, data in _lumps(found_bytes(f"{wad}.wad")):
            if data not in seen:
                out.append(Piece(f"{wad}-{lump}", music_of(data)))
            seen.add(data)
    for piece in out:
        edges = piece.music.seconds_at([bar.start for bar in piece.music.bars])
        bars = int(np.searchsorted(edges - edges[0], LONGEST_S))
        if not piece.name.startswith("band"):
            piece.music = piece.music.shortened(bars)
        drums = sum(note.channel == DRUMS for note in piece.music.notes)
        piece.drummed = piece.name.startswith("band") or drums > len(piece.music.bars)
    return [piece for piece in out if piece.seconds > SHORTEST_S]


def on_its_grid(music: Music) -> bool:
    """Whether notes lie on sixteenths or triplets of them, as where a file's map is its music's.

    Some files were played in freely, at a tempo that the file does not know: by them nothing
    can be judged. Measured: 0.04 and less in ten such files, 0.5 and more in all others.
    """
    start = np.array([note.start for note in music.notes], float) / music.ticks_per_quarter
    return max(abs(np.exp(2j * np.pi * n * start).mean()) for n in (4, 12)) > ON_GRID


def recorded_pieces(everything: list[Piece]) -> list[tuple[int, Piece]]:
    """Those with a recording, numbered as they come."""
    return [each for each in enumerate(everything) if each[1].recorded]


def rendered_pieces(everything: list[Piece]) -> list[tuple[int, Piece]]:
    """The others, mixed: a run that is cut short has some of everything."""
    rest = [each for each in enumerate(everything) if not each[1].recorded]
    np.random.default_rng(1).shuffle(rest)
    return rest


def is_fitted(piece: Piece, everything: list[Piece]) -> bool:
    """Whether weights are fitted to a piece; those of the others judge them."""
    if piece.recorded:
        return piece.name in FITTED_RECORDINGS
    if not on_its_grid(piece.music):
        return False
    return any(piece is other for _, other in rendered_pieces(everything)[::FITTED_EVERY])


def _lumps(wad: bytes) -> Iterator[tuple[str, bytes]]:
    """MIDI files inside: a 12-byte header, a directory of 16-byte entries."""
    count, at = struct.unpack("<ii", wad[4:12])
    for n in range(count):
        start, size, name = struct.unpack("<ii8s", wad[at + 16 * n : at + 16 * n + 16])
        if wad[start : start + 4] == b"MThd":
            yield name.rstrip(b"\0").decode().removeprefix("D_"), wad[start : start + size]


def take_of(piece: Piece, kind: str, seed: int) -> Take:
    bar, known = _slip_bar(piece.music, seed) if kind in ("missing", "doubled") else (None, False)
    if piece.recorded:
        sound, order, beats = _recorded(piece, kind, bar)
    else:
        sound, order, beats = _rendered(piece, kind, bar, seed)
    if kind == "noise":
        rng = np.random.default_rng([seed, 5])
        level = np.sqrt(np.mean(sound**2)) * 10 ** (-NOISE_DB / 20)
        sound = sound + rng.normal(0, level, len(sound))
    number = None if bar is None else bar + 1
    onsets = onsets_of(np.asarray(sound, np.float32))
    return Take(piece, kind, onsets, order, beats, number, known)


def kept(folder: Path | None, piece: Piece, kind: str, seed: int) -> Take:
    """A take, heard once and kept: throw the folder away when onsets are heard differently."""
    if folder is None:
        return take_of(piece, kind, seed)
    path = folder / f"{piece.name}-{kind}.pkl"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(take_of(piece, kind, seed)))
    return pickle.loads(path.read_bytes())


def _slip_bar(music: Music, seed: int) -> tuple[int, bool]:
    """A bar to leave out or to play twice, inside the song, unlike its neighbours if there is one.

    Also whether its place can be known: unlike both neighbours, in a section that comes again.
    """
    looks = looks_of(music)

    def like(one: int, other: int) -> float:
        either = len(looks[one] | looks[other])
        return len(looks[one] & looks[other]) / either if either else 1.0

    names = [name for name, begin, end in blocks_of(music) for _ in range(begin, end)]
    blocks = [name for name, _, _ in blocks_of(music)]
    inner = range(8, len(looks) - 8) if len(looks) > 24 else range(2, len(looks) - 2)
    clear = [n for n in inner if max(like(n, n - 1), like(n, n + 1)) < 0.5]
    known = [n for n in clear if blocks.count(names[n]) > 1]
    rng = np.random.default_rng([seed, 3])
    return int(rng.choice(known or clear or list(inner))), bool(known)


def _rendered(piece: Piece, kind: str, bar: int | None, seed: int):
    manner = {
        "plain": Manner(),
        "drift": Manner(drift=0.06, jitter_ms=8, seed=seed),
        "missing": Manner(missing=bar, drift=0.02, jitter_ms=8, seed=seed),
        "doubled": Manner(doubled=bar, drift=0.02, jitter_ms=8, seed=seed),
        "noise": Manner(drift=0.02, jitter_ms=8, seed=seed),
    }[kind]
    played = performed(piece.music, manner)
    return rendered(played.messages), played.order, list(played.beats_s)


def _recorded(piece: Piece, kind: str, bar: int | None):
    """The recording, cut or spliced at bar lines, with a fade of 10 ms."""
    if piece.name.startswith("band"):
        sound = found_sound(f"{piece.name}-song.ogg", RATE).mean(axis=0)
        guitar = found_sound(f"{piece.name}-guitar.ogg", RATE).mean(axis=0)
        sound = sound[: len(guitar)] + guitar[: len(sound)]
        lag = BANDS[piece.name]
    else:
        sound = found_sound(f"{piece.name}.ogg", RATE).mean(axis=0)
        lag = 0.0
    music = piece.music
    starts = music.seconds_at([b.start for b in music.bars]) + lag
    ends = music.seconds_at([b.start + b.ticks for b in music.bars]) + lag
    order = [n for n in range(len(starts)) if kind != "missing" or n != bar]
    if kind == "doubled":
        order.insert(bar, bar)
    runs, begin = [], 0
    for n in range(1, len(order) + 1):
        if n == len(order) or order[n] != order[n - 1] + 1:
            runs.append((order[begin], order[n - 1]))
            begin = n
    lead = np.zeros(RATE, np.float32)
    parts, beats, at = [lead], [], 1.0
    for first, last in runs:
        low, high = max(0, round(starts[first] * RATE)), round(ends[last] * RATE)
        if last == len(starts) - 1 and piece.name.startswith("band"):
            high = len(sound)
        part = sound[low:high].copy()
        fade = RATE // 100
        part[:fade] *= np.linspace(0, 1, fade)
        part[-fade:] *= np.linspace(1, 0, fade)
        bars = music.bars[first : last + 1]
        beats += [music.seconds_at(music.beat_ticks(b)) + lag - low / RATE + at for b in bars]
        parts.append(part)
        at += len(part) / RATE
    whole = np.concatenate([*parts, np.zeros(RATE, np.float32)])
    whole = whole + np.random.default_rng(1).normal(0, 1e-4, len(whole))
    return whole, tuple(order), beats
