"""How well takes are read: imagined takes with their truth, librosa's beat tracker beside ours.

    python tools/bench_rehearsal.py [--takes 96] [--first 10000] [--librosa] [--fit]

Seeds from 0 on are for building and fitting, those from 10000 on for judging.
"""

from __future__ import annotations

import argparse
import os
import re
import resource
import sys
import time
import warnings
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from syncbox.rehearsal import belief
from syncbox.rehearsal.imagined import Manner, Played, imagined_song, manner_for, play
from syncbox.rehearsal.imagined_sound import sound_of
from syncbox.rehearsal.onsets import RATE, Onsets, onsets_of
from syncbox.rehearsal.reading import read_take
from syncbox.rehearsal.trying import SURE_MATCH, tried

SOUNDS = ("drums", "drums and bass", "mix", "brushes")
FAR = ("followed", "refused with its tempo", "refused", "wrong")
CUT = (
    "at the right bar", "at a wrong bar, the right one named", "at a wrong bar, called a guess",
    "refused", "at a wrong bar",
)  # fmt: skip
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
    single: int = 0  # slips whose bar can be known: no other one would sound the same
    single_right: int = 0  # and exactly that bar was told, alone
    alike: int = 0  # slips among bars played alike, or in a section that comes only once
    alike_right: int = 0  # and a range was told that holds the bar, and no others than those
    named: int = 0  # the range told holds the bar, however wide
    false_alarms: int = 0
    wrong_match: list[float] = field(default_factory=list)
    wrong_near: list[float] = field(default_factory=list)
    far: str | None = None  # what became of a take far from the map's tempo, see FAR
    cut: str | None = None  # what became of a take that begins or ends in the middle, see CUT
    confidence: np.ndarray = field(default_factory=lambda: np.empty(0))
    right: np.ndarray = field(default_factory=lambda: np.empty(0))


def take_of(seed: int, pace: float = 1.0) -> tuple[str, Manner, Played]:
    kind, sounds = KINDS[seed % 4], SOUNDS[seed // 4 % 4]
    manner = manner_for(sounds, seed, missing=seed % 3 % 2, doubled=int(seed % 3 == 2), pace=pace)
    return sounds, manner, play(imagined_song(seed, kind), manner, seed)


def judge(seed: int, with_librosa: bool) -> Judged:
    import mir_eval

    sounds, manner, played = take_of(seed)
    sound = sound_of(played, manner, seed)
    onsets = onsets_of(sound)
    found = read_take(played.chart.song, onsets)
    truth = np.sort(np.concatenate(played.beats_s))
    out = Judged(sounds, seed, found.match)
    if with_librosa:
        out.librosa_f = librosa_f(sound, truth)
    if seed % 2 == 0:
        _judge_wrong_songs(out, played, onsets)
    if seed % 8 == 5:
        out.far = _far_take(seed)
    if seed % 4 == 2 or seed % 16 == 1:
        out.cut = _cut_take(seed)
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
        for index in true:
            number = bars[index].number
            could = [bars[i].number for i in played.could_be(index)]
            told = [row for row in rows if row.from_bar <= number <= row.to_bar]
            out.named += bool(told)
            if len(could) == 1:
                out.single += 1
                out.single_right += any(row.bars == (number,) and row.certain for row in told)
            else:
                out.alike += 1
                out.alike_right += any(
                    min(could) <= row.from_bar and row.to_bar <= max(could) for row in told
                )
        numbers = [bars[i].number for i in true]
        out.false_alarms += sum(
            not any(row.from_bar <= n <= row.to_bar for n in numbers) for row in rows
        )


def _judge_wrong_songs(out: Judged, played: Played, onsets: Onsets) -> None:
    """Two songs that this is not: one at any tempo, one within 4 % of the take's own.

    Not those whose form the take bears as well: same bars alike, whatever they are called.
    """
    from fit_rehearsal import SAME_TIES, look_alike, same_ties, wrong_songs

    any_tempo, near = wrong_songs(out.seed, played)
    for chart, told in ((any_tempo, out.wrong_match), (near, out.wrong_near)):
        if not look_alike(chart, played.chart):
            found = tried(chart, onsets, None)
            if same_ties(chart, found.settled, played, 0.0) <= SAME_TIES:
                told.append(found.match)


def _far_take(seed: int) -> str:
    """What becomes of a take of 60 to 75 %, or of 135 to 165 %, of the map's tempo."""
    rng = np.random.default_rng([seed, 71])
    pace = float(rng.choice([rng.uniform(0.6, 0.75), rng.uniform(1.35, 1.65)]))
    _, manner, played = take_of(seed, pace)
    found = read_take(played.chart.song, onsets_of(sound_of(played, manner, seed)))
    if not found.found:
        told = re.search(r"--speed (\d+)%", " ".join(found.notes))
        if told is None:
            return "refused"
        return "refused with its tempo" if abs(int(told.group(1)) / 100 - pace) < 0.07 else "wrong"
    shares = [s.tempo_share for s in found.sections if s.tempo_share is not None]
    right = bool(shares) and abs(float(np.median(shares)) + 1 - pace) < 0.07
    return "followed" if right else "wrong"


def _cut_take(seed: int) -> str:
    """Where a clean take is placed that begins or ends in the middle, and holds 30 to 90 %."""
    rng = np.random.default_rng([seed, 91])
    sounds, song = SOUNDS[seed // 4 % 4], imagined_song(seed, KINDS[rng.integers(len(KINDS))])
    manner = manner_for(sounds, seed)
    played = play(song, manner, seed)
    how = rng.integers(3)  # begins late, ends early, both
    begin = rng.uniform(0.1, 0.4) if how != 1 else 0.0
    end = rng.uniform(max(0.5, begin + 0.3), 0.9) if how != 0 else 1.0
    cut_s = begin * played.end_s
    sound = sound_of(played, manner, seed)[round(cut_s * RATE) : round(end * played.end_s * RATE)]
    found = read_take(song, onsets_of(sound))
    if not found.found:
        return "refused"
    starts = np.array([beats[0] if len(beats) else np.nan for beats in played.beats_s]) - cut_s
    numbers = [played.chart.bars[index].number for index in played.order]
    true = [numbers[np.nanargmin(np.abs(starts - bar.start_s))] for bar in found.bars]
    if np.mean([bar.bar == number for bar, number in zip(found.bars, true, strict=True)]) >= 0.9:
        return "at the right bar"
    if true[0] in found.other_begins:
        return CUT[1]
    return CUT[2] if found.place_guessed else "at a wrong bar"


def librosa_f(sound: np.ndarray, truth: np.ndarray) -> float:
    import librosa
    import mir_eval

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _, beats = librosa.beat.beat_track(y=sound, sr=RATE, units="time")
        trim = mir_eval.beat.trim_beats
        return float(mir_eval.beat.f_measure(trim(truth), trim(np.asarray(beats))))


def table(rows: list[Judged]) -> None:
    print(
        "one bar: slips whose bar can be known, and how many were named exactly and alone\n"
        "alike:   slips among bars that are played alike, or in a section that comes once; how\n"
        "         many were told as a range that holds the bar and nothing but such bars\n"
        "named:   all slips; the range told holds the bar, however wide\n"
    )
    print(
        f"{'':15} takes found  F      F<.9  median   95 %     octave  drift   one bar   alike   "
        "  named    false in clean, in others"
    )
    for sounds in (*SOUNDS, "all"):
        mine = [r for r in rows if sounds in (r.sounds, "all")]
        if not mine:
            continue
        errors = np.concatenate([r.errors_ms for r in mine])
        drift = np.array([d for r in mine for d in r.drift_errors])

        def share(right: str, of: str, mine: list[Judged] = mine) -> str:
            return f"{sum(getattr(r, right) for r in mine)}/{sum(getattr(r, of) for r in mine)}"

        clean = [r for r in mine if not r.slips]
        slipped = [r for r in mine if r.slips]
        beside = [r.librosa_f for r in mine if r.librosa_f is not None]
        print(
            f"{sounds:15} {len(mine):5} {sum(r.match >= 0.5 for r in mine):5}"
            f"  {np.mean([r.f_measure for r in mine]):.3f}"
            f"  {sum(r.f_measure < 0.9 for r in mine):4}  {np.median(errors):5.1f} ms"
            f"  {np.percentile(errors, 95):5.1f} ms  {sum(r.octave for r in mine):4}"
            f"  {100 * np.mean(drift <= 0.003):5.0f} %"
            f"   {share('single_right', 'single'):8}  {share('alike_right', 'alike'):8}"
            f"  {share('named', 'slips'):8}"
            f" {sum(r.false_alarms > 0 for r in clean)}/{len(clean)},"
            f" {sum(r.false_alarms > 0 for r in slipped)}/{len(slipped)}"
            + (f"  librosa F {np.mean(beside):.3f}" if beside else "")
        )
    for words, told in (
        ("at any tempo", [m for r in rows for m in r.wrong_match]),
        ("within 4 % of the take's tempo", [m for r in rows for m in r.wrong_near]),
    ):
        if told:
            high = sum(m >= 0.5 for m in told)
            sure = sum(m >= SURE_MATCH for m in told)
            print(
                f"wrong songs of another form {words}: {high}/{len(told)} match 0.5 or more, "
                f"{sure} without a word that it may be another song"
            )
    for words, told, kinds in (
        ("at 60 to 75 or 135 to 165 % of the map's tempo", [r.far for r in rows if r.far], FAR),
        ("that begin or end in the middle", [r.cut for r in rows if r.cut], CUT),
    ):
        counts = ", ".join(f"{told.count(kind)} {kind}" for kind in kinds)
        print(f"{len(told)} takes {words}: {counts}")
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
        begin, begin_cpu = time.perf_counter(), time.process_time()
        found = read_take(song, onsets_of_file(path))
        took, cpu = time.perf_counter() - begin, time.process_time() - begin_cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"\none stereo take of {len(sound) / 44_100:.0f} s: {took:.1f} s ({cpu:.1f} s of one "
        f"processor), at most {peak:.0f} MB with its making, match {found.match:.2f}"
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
        from fit_rehearsal import fit

        fit(asked.takes, asked.jobs)
        return
    seeds = range(asked.first, asked.first + asked.takes)
    rows = Parallel(n_jobs=asked.jobs)(delayed(judge)(seed, asked.librosa) for seed in seeds)
    table(rows)
    five_minutes()


if __name__ == "__main__":
    main()
