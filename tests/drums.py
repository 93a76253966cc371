"""Generated drum loops and stems whose every hit is known, and targets to fit them to."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncbox.schedule.fitting import LoopTarget, steady_target, target_at
from syncbox.score.layout import LegKind, lay_out
from syncbox.score.meter import COMMON_TIME, Meter
from syncbox.score.song import Song
from syncbox.score.written import Bar

RATE = 48_000


def _hit(kind: int, rate: int, rng: np.random.Generator) -> NDArray[np.float64]:
    t = np.arange(round(0.18 * rate)) / rate
    noise = rng.standard_normal(len(t) + 1)
    if kind == 0:  # low drum with a beater
        return 0.8 * np.sin(2 * np.pi * 60 * t) * np.exp(-18 * t) + 0.3 * noise[1:] * np.exp(
            -400 * t
        )
    if kind == 2:  # snare
        return 0.35 * noise[1:] * np.exp(-25 * t)
    return 0.12 * np.diff(noise) * np.exp(-70 * t)  # cymbal


def drum_loop(
    tempo_qpm: float,
    bars: int = 2,
    quarters: int = 4,
    *,
    rate: int = RATE,
    late: float = 0.5,
    seed: int = 1,
) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """A loop (1, n) in eighths with the frame of each hit; `late`: where the off-beat lies."""
    rng = np.random.default_rng(seed)
    loop = np.zeros(round(bars * quarters * 60 / tempo_qpm * rate))
    hits = []
    for eighth in range(bars * quarters * 2):
        place = eighth // 2 + (late if eighth % 2 else 0.0)
        hits.append(round(place * 60 / tempo_qpm * rate))
        sound = _hit(eighth % 4, rate, rng)
        np.add.at(loop, (hits[-1] + np.arange(len(sound))) % len(loop), sound)
    loop *= 0.7 / np.abs(loop).max()
    return loop.astype(np.float32)[np.newaxis], np.array(hits)


def drum_stem(
    tempo_qpm: float,
    seconds: float,
    *,
    rate: int = 24_000,
    loose_s: float = 0.006,
    late: float = 0.5,
) -> NDArray[np.float32]:
    """A played stem (1, n): eighths, some left out, each early or late by a few ms."""
    rng = np.random.default_rng(7)
    stem = np.zeros(round(seconds * rate))
    decay = np.exp(-40 * np.arange(round(0.15 * rate)) / rate)
    for eighth in range(int(seconds * tempo_qpm / 30)):
        place = eighth // 2 + (late if eighth % 2 else 0.0)
        at = round(max(0.0, place * 60 / tempo_qpm + rng.normal(0, loose_s)) * rate)
        if at + len(decay) < len(stem) and (eighth % 8 not in {1, 5} or rng.random() < 0.4):
            level = rng.uniform(0.1, 0.4) * (1.5 if eighth % 2 == 0 else 1.0)
            stem[at : at + len(decay)] += level * rng.standard_normal(len(decay)) * decay
    return stem.astype(np.float32)[np.newaxis]


def steady(
    tempo_qpm: object, bars: int = 2, meter: Meter = COMMON_TIME, rate: int = RATE
) -> LoopTarget:
    """Bars at one tempo."""
    line = [Bar(i + 1, i + 1, meter, i * meter.bar_ticks) for i in range(bars)]
    return steady_target(Fraction(tempo_qpm), line, rate)  # type: ignore[arg-type]


def first_bars(song: Song, bars: int = 2, rate: int = RATE) -> LoopTarget:
    """The first bars of a song's first section."""
    legs: Sequence = lay_out(song).legs
    index = next(leg.index for leg in legs if leg.kind is LegKind.SECTION)
    return target_at(legs, index, 0, bars, rate)
