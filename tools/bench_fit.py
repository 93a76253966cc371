"""Loops fitted to their bars: our three ways beside librosa's stretching and plain python-stretch.

Generated drum loops with every hit known, from 72 to 150 a minute, straight and shuffled, to
slower, faster, a ramp and a metric modulation; and openly licensed loops where they can be
fetched. In one run: length against the frame, hits against their grid, the 10 to 90 % rise of
the hits, what is heard before a hit, and the step at the seam over 20 rounds.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from bench_table import Options, Row
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from building import item, section, song
from drums import RATE, drum_loop, first_bars, steady

from syncbox.audio.find import find_loop
from syncbox.audio.fit import Fitted, fit_loop, places_of, steps
from syncbox.audio.onsets import find_loop_onsets
from syncbox.schedule.fitting import LoopTarget
from syncbox.score.song import FitWay, Modulation, Ramp, Span

TARGET_MS = 2.0
ROUNDS = 20
ATTACK_MS, REACH_MS = 8.0, 15.0  # of a hit that is found again by its samples
HIT_MS = 50.0  # further away it is another hit: this one was not found
FOUR = Fraction(4)
Sound = NDArray[np.float32]


@dataclass
class Case:
    """A loop, where its hits are, and what it is to be fitted to."""

    loop: Sound
    hits: NDArray[np.int64]
    target: LoopTarget

    @property
    def grid(self) -> NDArray[np.float64]:
        return places_of(self.hits, self.loop.shape[1], self.target)


def _cases(*, steady_only: bool, quick: bool) -> list[Case]:
    ramp = song(section("A", 4, item(Ramp(Fraction(150), Span(bars=2)))), tempo=90)
    modulation = song(section("A", 4, item(Modulation(Fraction(3, 4), Fraction(1)), 2)), tempo=90)
    moving = [] if steady_only else [first_bars(ramp), first_bars(modulation)]
    return [
        Case(*drum_loop(tempo, late=late, seed=seed), target)
        for seed, tempo in enumerate((72, 100, 133.3, 150))
        for late in ((0.5,) if quick else (0.5, 2 / 3))
        for target in (
            steady(Fraction(tempo) * Fraction(5, 6)),
            steady(Fraction(tempo) * Fraction(10, 9)),
            steady(Fraction(tempo) * Fraction(1213, 1000)),
            *moving,
        )
    ]


def _ours(way: FitWay) -> Callable[[Case], Sound]:
    def make(case: Case) -> Sound:
        found = find_loop(case.loop, RATE, 2, FOUR)
        return fit_loop(case.loop, RATE, found, case.target, way).sound

    return make


def _librosa(case: Case) -> Sound:
    import librosa

    factor = case.loop.shape[1] / case.target.frame_count
    return librosa.effects.time_stretch(case.loop, rate=factor)


def _python_stretch(case: Case) -> Sound:
    from python_stretch import Signalsmith

    stretcher = Signalsmith.Stretch(1)
    stretcher.preset(1, float(RATE))
    stretcher.setTimeFactor(case.loop.shape[1] / case.target.frame_count)
    return np.asarray(stretcher.process(case.loop))


def _around(sound: Sound, at: float, before_ms: float, after_ms: float) -> NDArray[np.float64]:
    first, last = (round(at + ms * RATE / 1000) for ms in (-before_ms, after_ms))
    return sound[0, np.arange(first, last) % sound.shape[1]].astype(np.float64)


def rise_ms(sound: Sound, at: float) -> float:
    """10 to 90 % rise of a hit's envelope (0.3 ms), ms."""
    level = np.convolve(np.abs(_around(sound, at, 25, 25)), np.ones(15) / 15, "same")
    peak = int(level.argmax())
    low = np.flatnonzero(level[: peak + 1] <= 0.1 * level[peak])
    high = np.flatnonzero(level[: peak + 1] >= 0.9 * level[peak])
    return max(0.0, float(high[0] - low[-1])) * 1000 / RATE if len(low) else 25.0


def before_db(sound: Sound, at: float) -> float:
    """Energy in the 10 ms before a hit against the 10 ms after it."""
    before = (_around(sound, at, 10, -0.5) ** 2).mean()
    after = (_around(sound, at, 0, 10) ** 2).mean()
    return float(10 * np.log10((before + 1e-15) / (after + 1e-15)))


def hit_errors_ms(sound: Sound, grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of each place of a grid from the nearest hit; a finder that knows no fit."""
    found = find_loop_onsets(sound, RATE).frames
    length = sound.shape[1]
    away = (found[np.newaxis] - grid[:, np.newaxis] + length / 2) % length - length / 2
    nearest = away[np.arange(len(grid)), np.abs(away).argmin(axis=1)]
    return nearest * 1000 / RATE


def moved_errors_ms(made: Fitted) -> NDArray[np.float64]:
    """How far each hit of a loop that was fitted by slices lies from its place.

    Slices are moved as they are, so the samples after a hit are found again by their
    correlation, whatever else sounds beside them.
    """
    length, reach = round(ATTACK_MS * RATE / 1000), round(REACH_MS * RATE / 1000)
    errors = []
    for hit, place in zip(made.hits.frames, made.places, strict=True):
        near = round(float(place))
        attack = made.source[:, np.arange(hit, hit + length) % made.source.shape[1]].sum(axis=0)
        span = np.arange(near - reach, near + reach + length) % made.sound.shape[1]
        views = np.lib.stride_tricks.sliding_window_view(made.sound[:, span].sum(axis=0), length)
        alike = (views @ attack) / np.sqrt((views**2).sum(axis=1) + 1e-12)
        errors.append((near - place + int(alike.argmax()) - reach) * 1000 / RATE)
    return np.array(errors)


def seam_part(sound: Sound) -> float:
    """The largest step where 20 rounds meet, as a part of the loop's own largest step."""
    rounds = np.tile(sound, ROUNDS)
    joins = np.abs(np.diff(rounds, axis=1))[:, sound.shape[1] - 1 :: sound.shape[1]]
    return float(joins.max()) / steps(sound)[1]


def fitting(options: Options) -> Iterator[Row]:
    """Exact length, hits, rises, pre-echo and seams, ours and the libraries'."""
    every = _cases(steady_only=False, quick=options.quick)
    level = _cases(steady_only=True, quick=options.quick)
    for way in (FitWay.SLICES, FitWay.STRETCH, FitWay.RESAMPLE):
        made = [(case, _ours(way)(case)) for case in every]
        wrong = sum(sound.shape[1] != case.target.frame_count for case, sound in made)
        errors = np.abs(np.concatenate([hit_errors_ms(s, case.grid) for case, s in made]))
        seam = max(seam_part(sound) for _, sound in made)
        yield Row(
            f"fit by {way.value}: {len(made)} loops, {len(errors)} hits",
            f"{wrong} wrong lengths; hits p50 {np.median(errors):.2f}, p95 "
            f"{np.percentile(errors, 95):.2f}, max {errors.max():.2f} ms; seam {seam:.2f}",
            "0 wrong; 2 ms; seam at most 1 of the loop's largest step",
            wrong == 0 and errors.max() <= TARGET_MS and seam <= 1.0,
        )
    yield from _smear(level)
    yield from _found()


def _smear(cases: list[Case]) -> Iterator[Row]:
    """Rise and pre-echo at steady tempi, where the libraries can follow."""
    makers: dict[str, Callable[[Case], Sound]] = {
        "source": lambda case: case.loop,
        "slices": _ours(FitWay.SLICES),
        "stretch": _ours(FitWay.STRETCH),
        "python-stretch": _python_stretch,
        "librosa": _librosa,
    }
    rises: dict[str, float] = {}
    for name, make in makers.items():
        rise, before, errors = [], [], []
        for case in cases:
            sound = make(case)
            grid = case.hits.astype(np.float64) if name == "source" else case.grid
            rise += [rise_ms(sound, at) for at in grid]
            before += [before_db(sound, at) for at in grid]
            errors += hit_errors_ms(sound, grid).tolist()
        near = np.array([error for error in errors if abs(error) <= HIT_MS])
        rises[name] = float(np.median(rise))
        sharp = rises[name] <= 1.1 * rises["source"] + 0.1
        yield Row(
            f"10-90 % rise, {name}: {len(cases)} loops",
            f"{rises[name]:.2f} ms median, {np.percentile(rise, 95):.2f} p95; before the hit "
            f"{np.median(before):.0f} dB; {len(near)} of {len(errors)} hits found, off by "
            f"{np.abs(near).max():.2f} ms at most",
            "as the source" if name in {"slices", "stretch"} else "beside it",
            sharp if name in {"slices", "stretch"} else None,
        )


def _found() -> Iterator[Row]:
    """Openly licensed loops out of packages, where they can be fetched."""
    from found_sounds import found_sound

    for name, bars, tempi in (("house_lo.wav", 4, (118, 150)), ("808kick120bpm.mp3", 5, (96, 131))):
        try:
            sound = found_sound(name, RATE)
        except pytest.skip.Exception as why:
            yield Row(f"found loop {name}", f"not fetched: {why}", "2 ms", None)
            continue
        for way in (FitWay.SLICES, FitWay.STRETCH, FitWay.RESAMPLE):
            errors, hits, wrong, seam = [], 0, 0, 0.0
            for tempo in tempi:
                target = steady(tempo, bars)
                made = fit_loop(sound, RATE, find_loop(sound, RATE, bars, FOUR), target, way)
                found = made.errors_ms if way is not FitWay.SLICES else moved_errors_ms(made)
                errors += np.abs(found).tolist()
                hits += len(made.hits)
                wrong += made.sound.shape[1] != target.frame_count
                seam = max(seam, seam_part(made.sound))
            yield Row(
                f"found loop {name} by {way.value}, to {tempi[0]} and {tempi[1]}",
                f"{wrong} wrong lengths; {len(errors)} of {hits} hits found again, p50 "
                f"{np.median(errors):.3f}, p95 {np.percentile(errors, 95):.3f}, max "
                f"{max(errors):.3f} ms; seam {seam:.2f}",
                "2 ms, every hit",
                wrong == 0 and len(errors) == hits and max(errors) <= TARGET_MS and seam <= 1.0,
            )
