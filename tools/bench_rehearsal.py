"""How well takes are read: imagined takes with their truth, librosa's beat tracker beside ours.

    python tools/bench_rehearsal.py [--takes 96] [--first 10000] [--librosa] [--fit]

Seeds from 0 on are for building and fitting, those from 10000 on for judging.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import time
import warnings
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from syncbox.rehearsal import belief
from syncbox.rehearsal.beats import place_beats
from syncbox.rehearsal.chart import chart_of
from syncbox.rehearsal.following import follow
from syncbox.rehearsal.imagined import Manner, Played, imagined_song, manner_for, play
from syncbox.rehearsal.imagined_sound import sound_of
from syncbox.rehearsal.onsets import RATE, onsets_of
from syncbox.rehearsal.reading import read_take
from syncbox.rehearsal.structure import settle

SOUNDS = ("drums", "drums and bass", "mix", "brushes")
KINDS = ("plain", "odd", "ramp", "held")


@dataclass
class Judged:
    sounds: str
    seed: int
    match: float = 0.0
    f_measure: float = 0.0
    librosa_f: float | None = None
    errors_ms: np.ndarray = field(default_factory=lambda: np.empty(0))
    octave: bool = False
    drift_errors: list[float] = field(default_factory=list)
    slips: int = 0
    slips_exact: int = 0
    slips_named: int = 0
    false_alarms: int = 0
    confidence: np.ndarray = field(default_factory=lambda: np.empty(0))
    right: np.ndarray = field(default_factory=lambda: np.empty(0))


def take_of(seed: int) -> tuple[str, Manner, Played]:
    kind, sounds = KINDS[seed % 4], SOUNDS[seed // 4 % 4]
    manner = manner_for(sounds, seed, missing=seed % 3 % 2, doubled=int(seed % 3 == 2))
    return sounds, manner, play(imagined_song(seed, kind), manner, seed)


def judge(seed: int, with_librosa: bool) -> Judged:
    import mir_eval

    sounds, manner, played = take_of(seed)
    sound = sound_of(played, manner, seed)
    found = read_take(played.chart.song, onsets_of(sound))
    truth = np.sort(np.concatenate(played.beats_s))
    out = Judged(sounds, seed, found.match)
    if with_librosa:
        out.librosa_f = librosa_f(sound, truth)
    if not found.found:
        return out
    own = np.sort([beat.played_s for beat in found.beats])
    trim = mir_eval.beat.trim_beats
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        out.f_measure = mir_eval.beat.f_measure(trim(truth), trim(own))
    out.errors_ms = 1000 * np.abs([own[np.abs(own - beat).argmin()] - beat for beat in truth])
    out.octave = not 0.75 < np.median(np.diff(own)) / np.median(np.diff(truth)) < 1.33
    out.confidence = np.array([beat.confidence for beat in found.beats])
    nearest = [np.abs(truth - beat.played_s).min() * 1000 for beat in found.beats]
    out.right = np.array(nearest) <= belief.RIGHT_MS
    _judge_drift(out, found, played)
    _judge_slips(out, found, played)
    return out


def _judge_drift(out: Judged, found, played: Played) -> None:
    bars = played.chart.bars
    first_of = {}
    for n, index in enumerate(played.order):
        first_of.setdefault(bars[index].part, (bars[index].section_index, played.beats_s[n][0]))
    for part, (index, start) in first_of.items():
        near = [s for s in found.sections if abs(s.start_s - start) < 0.5]
        if part[0] >= 0 and near and near[0].tempo_share is not None:
            out.drift_errors.append(abs(near[0].tempo_share + 1 - played.section_ratio(index)))


def _judge_slips(out: Judged, found, played: Played) -> None:
    bars = played.chart.bars
    pairs = ((played.missing, found.missing_bars), (played.doubled, found.extra_bars))
    out.slips = len(played.missing) + len(played.doubled)
    for true, rows in pairs:
        numbers = [bars[i].number for i in true]
        out.slips_exact += sum(any(row.bars == (n,) for row in rows) for n in numbers)
        named = [n for n in numbers if any(r.from_bar <= n <= r.to_bar for r in rows)]
        out.slips_named += len(named)
        out.false_alarms += sum(
            not any(row.from_bar <= n <= row.to_bar for n in numbers) for row in rows
        )


def librosa_f(sound: np.ndarray, truth: np.ndarray) -> float:
    import librosa
    import mir_eval

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _, beats = librosa.beat.beat_track(y=sound, sr=RATE, units="time")
        trim = mir_eval.beat.trim_beats
        return float(mir_eval.beat.f_measure(trim(truth), trim(np.asarray(beats))))


def table(rows: list[Judged]) -> None:
    head = (
        "takes  F      F<.9  median   95 %    octave  drift   named      exact      "
        "misplaced  false"
    )
    print(f"{'':15} {head}  librosa F")
    for sounds in (*SOUNDS, "all"):
        mine = [r for r in rows if sounds in (r.sounds, "all")]
        if not mine:
            continue
        errors = np.concatenate([r.errors_ms for r in mine])
        drift = np.array([d for r in mine for d in r.drift_errors])
        slips = sum(r.slips for r in mine)
        clean = sum(not r.slips for r in mine)
        beside = [r.librosa_f for r in mine if r.librosa_f is not None]
        print(
            f"{sounds:15} {len(mine):5}  {np.mean([r.f_measure for r in mine]):.3f}"
            f"  {sum(r.f_measure < 0.9 for r in mine):4}  {np.median(errors):5.1f} ms"
            f"  {np.percentile(errors, 95):5.1f} ms  {sum(r.octave for r in mine):4}"
            f"  {100 * np.mean(drift <= 0.003):4.0f} %"
            f"   {sum(r.slips_named for r in mine):3}/{slips:<4}"
            f"   {sum(r.slips_exact for r in mine):3}/{slips:<4}"
            f"   {sum(r.false_alarms > 0 for r in mine if r.slips):3}/{slips:<4}"
            f"   {sum(r.false_alarms > 0 for r in mine if not r.slips):3}/{clean:<4}"
            f"  {np.mean(beside) if beside else float('nan'):.3f}"
        )
    calibration(rows)


def calibration(rows: list[Judged]) -> None:
    told = np.concatenate([r.confidence for r in rows])
    right = np.concatenate([r.right for r in rows])
    print("\nconfidence told    beats    right")
    edges = (0.0, 0.5, 0.7, 0.8, 0.9, 0.93, 0.97, 0.99, 1.001)
    for low, high in pairwise(edges):
        here = (told >= low) & (told < high)
        if here.any():
            span = f"{low:.2f} to {min(1, high):.2f}"
            print(
                f"{span}  {here.sum():8}   {right[here].mean():.3f} (told {told[here].mean():.3f})"
            )


def fitted(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    from scipy.optimize import minimize

    def cost(w: np.ndarray) -> tuple[float, np.ndarray]:
        told = np.clip(x @ w, -30, 30)
        chance = 1 / (1 + np.exp(-told))
        loss = np.logaddexp(0, told) - y * told
        return loss.mean() + 1e-3 * w @ w, x.T @ (chance - y) / len(y) + 2e-3 * w

    return minimize(cost, np.zeros(x.shape[1]), jac=True).x


def evidence(seed: int, other: int | None) -> tuple[np.ndarray | None, np.ndarray, np.ndarray]:
    """Features of the match, and those of each beat with whether it was right."""
    _, manner, played = take_of(seed)
    chart = played.chart if other is None else chart_of(imagined_song(other, KINDS[other % 4]))
    sound, cut_s = sound_of(played, manner, seed), 0.0
    if seed % 5 == 0:  # takes that begin in the middle of the song and end before it does
        cut_s = round(0.3 * played.end_s)
        sound = sound[cut_s * RATE : round(0.8 * played.end_s) * RATE]
    if seed % 9 == 0 and other is not None:
        sound = np.random.default_rng(seed).normal(0, 0.1, len(sound)).astype(np.float32)
    onsets = onsets_of(sound)
    settled = settle(chart, follow(chart, onsets), onsets)
    nothing = np.empty((0, len(belief.FEATURES)))
    if len(settled.course.placed) < 3:
        return None, nothing, np.empty(0)
    beats = place_beats(chart, settled.course.placed, onsets)
    match = belief.match_features(chart, settled.course, beats, onsets)
    if other is not None:
        return match, nothing, np.empty(0)
    truth = np.concatenate(played.beats_s) - cut_s
    nearest = np.array([np.abs(truth - at).min() * 1000 for at in beats.played_s])
    return match, belief.beat_features(beats, onsets), nearest <= belief.RIGHT_MS


def fit(takes: int, jobs: int) -> None:
    from joblib import Parallel, delayed

    asked = [(seed, None) for seed in range(takes)]
    asked += [(seed, seed + 1 + seed % 7) for seed in range(takes)]
    found = Parallel(n_jobs=jobs)(delayed(evidence)(*each) for each in asked)
    pairs = [(f[0], a[1] is None) for f, a in zip(found, asked, strict=True) if f[0] is not None]
    x, y = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs], float)
    weights = fitted(x, y)
    told = 1 / (1 + np.exp(-x @ weights))
    print("MATCH_FITTED =", np.round(weights, 2).tolist())
    for name, column in zip(belief.MATCH_FEATURES, x.T, strict=True):
        print(f"  {name:9} right {column[y == 1].mean():.2f}  wrong {column[y == 0].mean():.2f}")
    print(
        "  right below half:",
        (told[y == 1] < 0.5).mean(),
        "wrong above:",
        (told[y == 0] > 0.5).mean(),
    )
    x = np.concatenate([f[1] for f in found])
    y = np.concatenate([f[2] for f in found]).astype(float)
    print("FITTED =", np.round(fitted(x, y), 2).tolist())


def five_minutes() -> None:
    """Time and memory of one stereo take of five minutes at 44.1 kHz, in all."""
    import tempfile

    import soundfile

    from syncbox.rehearsal.intake import onsets_of_file

    song = imagined_song(3, "plain")
    from dataclasses import replace

    song = replace(song, sections=song.sections * 3)
    manner = manner_for("mix", 3)
    played = play(song, manner, 3)
    sound = sound_of(played, manner, 3, rate=44_100)[: 300 * 44_100]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        soundfile.write(path, np.stack([sound, sound], axis=1), 44_100)
        begin = time.perf_counter()
        found = read_take(song, onsets_of_file(path))
        took = time.perf_counter() - begin
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"\none stereo take of {len(sound) / 44_100:.0f} s: {took:.1f} s, at most {peak:.0f} MB "
        f"with its making, match {found.match:.2f}"
    )


def main() -> None:
    from joblib import Parallel, delayed

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--takes", type=int, default=96)
    parser.add_argument("--first", type=int, default=10_000)
    parser.add_argument("--librosa", action="store_true")
    parser.add_argument("--fit", action="store_true")
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    if asked.fit:
        fit(asked.takes, asked.jobs)
        return
    seeds = range(asked.first, asked.first + asked.takes)
    rows = Parallel(n_jobs=asked.jobs)(delayed(judge)(seed, asked.librosa) for seed in seeds)
    table(rows)
    five_minutes()


if __name__ == "__main__":
    main()
