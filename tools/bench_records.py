"""How well published music is read: recordings and renderings of MIDI files that nobody here wrote.

    python tools/bench_records.py [--judging] [--every 1] [--takes 2] [--keep FOLDER]

The truth is each file's own tempo map. The packages and their licences: tests/found_sounds.py;
they are fetched once into a cache. One process; about half a minute for each take.
"""

from __future__ import annotations

import argparse
import os
import pickle
import sys
import time
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

import numpy as np
from found_music import song_of
from record_takes import (
    RECORDED,
    RENDERED,
    Piece,
    Take,
    is_fitted,
    kept,
    on_its_grid,
    pieces,
    recorded_pieces,
    rendered_pieces,
)

from syncbox.rehearsal import trying
from syncbox.rehearsal.belief import RIGHT_MS, match_features
from syncbox.rehearsal.chart import Chart, at_pace, chart_of
from syncbox.rehearsal.reading import SURE, read_take
from syncbox.rehearsal.trying import MATCH_MIN, SURE_MATCH, Tried, tried

# --- judging ---------------------------------------------------------------------------------


BAR_NEAR_S = 0.1  # a bar that is told this near to its begin is the right one


@dataclass
class Judged:
    piece: str
    kind: str
    drummed: bool
    recorded: bool
    match: float = 0.0
    single: float = 0.0  # match of the same song written as one section
    single_f: float = 0.0
    f_measure: float = 0.0
    errors_ms: np.ndarray = field(default_factory=lambda: np.empty(0))
    octave: bool = False
    bars: float = 0.0  # share of the bars played that were told by their number and begin
    drift: list[float] = field(default_factory=list)
    slip: bool = False
    known: bool = False
    exact: bool = False
    named: bool = False
    alarms: int = 0
    confidence: np.ndarray = field(default_factory=lambda: np.empty(0))
    right: np.ndarray = field(default_factory=lambda: np.empty(0))
    wrong: list[float] = field(default_factory=list)
    near: list[float] = field(default_factory=list)
    plain: list[float] = field(default_factory=list)  # near ones written as one section
    took_s: float = 0.0
    told: str = ""


class Watched:
    """Keeps the features of every match that is worked out."""

    def __init__(self) -> None:
        self.seen: list[tuple[float, np.ndarray, float]] = []
        self.real = trying.match_of

    def __call__(self, chart, reading, beats, onsets, pace=1.0) -> float:
        match = self.real(chart, reading, beats, onsets, pace)
        if len(beats.bar) >= 8:
            features = match_features(chart, reading, beats, onsets, pace)
            self.seen.append((pace, features, match))
        return match


def judge(take: Take, others: list[Piece], rows: list[dict]) -> Judged:
    """Without others no wrong songs are tried."""
    begin = time.perf_counter()
    watched = Watched()
    trying.match_of = watched

    def keep(chart: str, variant: str, final: float) -> None:
        own = [each for each in watched.seen if each[0] == 1.0]
        if own:
            rows.append(
                {
                    "piece": take.piece.name,
                    "chart": chart,
                    "right": chart == take.piece.name,
                    "kind": take.kind,
                    "variant": variant,
                    "features": own[0][1],
                    "match": final,
                    "own_match": own[0][2],
                    "far": [each for each in watched.seen if each[0] != 1.0],
                }
            )
        watched.seen.clear()

    try:
        return _judged(take, others, keep)
    finally:
        trying.match_of = watched.real
        print(f"{take.piece.name} {take.kind} {time.perf_counter() - begin:.0f} s", file=sys.stderr)


def _judged(take: Take, others: list[Piece], keep) -> Judged:
    piece = take.piece
    out = Judged(piece.name, take.kind, piece.drummed, piece.recorded)
    onsets = take.onsets
    truth = np.sort(np.concatenate(take.beats_s))
    for sections in (False, True):
        song = song_of(piece.music, piece.name, sections=sections)
        begin = time.perf_counter()
        found = read_take(song, onsets)
        out.took_s = time.perf_counter() - begin
        keep(piece.name, "sections" if sections else "one section", found.match)
        if not sections:
            out.single = found.match
            out.single_f = _f(truth, found) if found.found else 0.0
    out.match = found.match
    out.told = "; ".join(found.notes)
    out.slip, out.known = take.slip is not None, take.known
    if found.found:
        _judge_beats(out, truth, found)
        _judge_bars(out, take, found)
        _judge_slips(out, take, found)
        _judge_drift(out, take, found)
    for other, near, sections in wrong_for(take, others) if others else ():
        chart = chart_of(song_of(other.music, other.name, sections=sections))
        if near:
            chart = nearer(chart, take)
        # What is near is held at the map's own tempo alone: far from it costs three times as much.
        match = (Tried.at(chart, onsets, 1.0, None) if near else tried(chart, onsets, None)).match
        keep(other.name, "any" if not near else "near" if sections else "near, one section", match)
        (out.wrong if not near else out.near if sections else out.plain).append(match)
    return out


def _f(truth: np.ndarray, found) -> float:
    import mir_eval

    own = np.sort([beat.played_s for beat in found.beats])
    trim = mir_eval.beat.trim_beats
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return float(mir_eval.beat.f_measure(trim(truth), trim(own)))


def _judge_beats(out: Judged, truth: np.ndarray, found) -> None:
    own = np.sort([beat.played_s for beat in found.beats])
    out.f_measure = _f(truth, found)
    out.errors_ms = 1000 * np.abs([own[np.abs(own - beat).argmin()] - beat for beat in truth])
    out.octave = not 0.75 < np.median(np.diff(own)) / np.median(np.diff(truth)) < 1.33
    out.confidence = np.array([beat.confidence for beat in found.beats])
    nearest = [np.abs(truth - beat.played_s).min() * 1000 for beat in found.beats]
    out.right = np.array(nearest) <= RIGHT_MS


def _judge_bars(out: Judged, take: Take, found) -> None:
    told = [(bar.bar, bar.start_s) for bar in found.bars]
    starts = [float(beats[0]) for beats in take.beats_s]
    hits = [
        any(number == n + 1 and abs(at - start) < BAR_NEAR_S for number, at in told)
        for n, start in zip(take.order, starts, strict=True)
    ]
    out.bars = float(np.mean(hits))


def _judge_slips(out: Judged, take: Take, found) -> None:
    mine, other = found.missing_bars, found.extra_bars
    if take.kind == "doubled":
        mine, other = other, mine
    if take.slip is None:
        out.alarms = len(mine) + len(other)
        return
    told = [row for row in mine if row.from_bar <= take.slip <= row.to_bar]
    out.named = bool(told)
    out.exact = any(row.bars == (take.slip,) for row in told)
    out.alarms = len(mine) - len(told) + len(other)


def _judge_drift(out: Judged, take: Take, found) -> None:
    """How far the told tempo of a section lies from the true one: bar lines against the map."""
    music = take.piece.music
    starts = np.array([beats[0] for beats in take.beats_s])
    mapped = music.seconds_at([bar.start for bar in music.bars])
    for row in found.sections:
        near = np.flatnonzero(np.abs(starts - row.start_s) < 0.5)
        last = row.end_row - row.first_row
        if row.tempo_share is None or not len(near) or near[0] + last >= len(starts):
            continue
        n = int(near[0])
        order = take.order[n : n + last + 1]
        if list(order) == list(range(order[0], order[0] + last + 1)):
            ratio = (mapped[order[-1]] - mapped[order[0]]) / (starts[n + last] - starts[n])
            out.drift.append(abs(row.tempo_share + 1 - ratio))


def wrong_for(take: Take, others: list[Piece]) -> Iterator[tuple[Piece, bool, bool]]:
    """Songs that a take is not; whether to be brought to its tempo, and written with sections.

    Two at any tempo; of those near in length two with their sections and two as one.
    """
    rng = np.random.default_rng([len(take.piece.name), *take.piece.name.encode(), len(take.kind)])
    rest = [each for each in others if each.name != take.piece.name]
    alike = [each for each in rest if 0.6 < each.seconds / take.piece.seconds < 1.6]
    for n in rng.choice(len(rest), 2, replace=False):
        yield rest[n], False, True
    for place, n in enumerate(rng.choice(len(alike), min(4, len(alike)), replace=False)):
        yield alike[n], True, place < 2


def nearer(chart: Chart, take: Take) -> Chart:
    """A chart brought within 4 % of the take's tempo, felt beat to felt beat."""
    gaps = np.median(np.diff(np.concatenate(take.beats_s)))
    own = np.median(np.concatenate([np.diff([*b.beats_s, b.seconds]) for b in chart.bars]))
    rng = np.random.default_rng([len(chart.bars), len(take.order)])
    return at_pace(chart, float(own / gaps * rng.uniform(0.96, 1.04)))


# --- the table -------------------------------------------------------------------------------


def table(rows: list[Judged]) -> None:
    print(
        f"{'':22} takes found  sure  one-section  F      F<.9  median   95 %      octave  bars "
        "  drift   exact/known  named/slips  alarms"
    )
    groups = [("recordings", lambda r: r.recorded), ("rendered, drums", _drums)]
    groups += [("rendered, no drums", lambda r: not r.recorded and not r.drummed)]
    groups += [(kind, lambda r, kind=kind: r.kind == kind) for kind in RENDERED]
    groups += [("all", bool)]
    for name, belongs in groups:
        mine = [row for row in rows if belongs(row)]
        if mine:
            _line(name, mine)
    for words, told in (
        ("at any tempo", [m for r in rows for m in r.wrong]),
        ("within 4 % of the take's tempo", [m for r in rows for m in r.near]),
        ("the same, written as one section", [m for r in rows for m in r.plain]),
    ):
        high, sure = sum(m >= MATCH_MIN for m in told), sum(m >= SURE_MATCH for m in told)
        print(f"wrong songs {words}: {high}/{len(told)} match 0.5 or more, {sure} surely")
    calibration(rows)


def _drums(row: Judged) -> bool:
    return not row.recorded and row.drummed


def _line(name: str, mine: list[Judged]) -> None:
    found = [r for r in mine if r.match >= MATCH_MIN]
    errors = np.concatenate([r.errors_ms for r in found]) if found else np.zeros(1)
    drift = np.array([d for r in found for d in r.drift])
    known = [r for r in mine if r.slip and r.known]
    slips = [r for r in mine if r.slip]
    clean = [r for r in found if not r.slip]
    print(
        f"{name:22} {len(mine):5} {len(found):5} {sum(r.match >= SURE_MATCH for r in mine):5}"
        f"  {sum(r.single >= MATCH_MIN for r in mine):11}"
        f"  {np.mean([r.f_measure for r in found] or [0]):.3f}"
        f"  {sum(r.f_measure < 0.9 for r in found):4}  {np.median(errors):5.1f} ms"
        f"  {np.percentile(errors, 95):6.1f} ms  {sum(r.octave for r in found):4}"
        f"  {100 * np.mean([r.bars for r in found] or [0]):5.0f} %"
        f"  {100 * np.mean(drift <= 0.003) if len(drift) else 0:5.0f} %"
        f"  {sum(r.exact for r in known):6}/{len(known):<4}"
        f"  {sum(r.named for r in slips):6}/{len(slips):<4}"
        f"  {sum(r.alarms > 0 for r in clean)}/{len(clean)}"
    )


def calibration(rows: list[Judged]) -> None:
    found = [row for row in rows if len(row.confidence)]
    if not found:
        return
    told = np.concatenate([row.confidence for row in found])
    right = np.concatenate([row.right for row in found])
    print("\nconfidence told    beats    right")
    edges = (0.0, SURE, 0.7, 0.8, 0.9, 0.93, 0.97, 0.99, 1.001)
    for low, high in pairwise(edges):
        here = (told >= low) & (told < high)
        if here.any():
            print(
                f"{low:.2f} to {min(1, high):.2f}  {here.sum():8}   {right[here].mean():.3f} "
                f"(told {told[here].mean():.3f})"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="take one rendered piece of so many")
    parser.add_argument(
        "--from", type=int, default=0, dest="first", help="the first rendered piece"
    )
    parser.add_argument("--takes", type=int, default=2, help="kinds of take of each piece")
    parser.add_argument(
        "--judging", action="store_true", help="only pieces that no weight was fitted to"
    )
    parser.add_argument("--right", action="store_true", help="right songs only")
    parser.add_argument("--kept", action="store_true", help="only takes that are kept already")
    parser.add_argument("--keep", type=Path, help="keep what was heard of takes in this folder")
    parser.add_argument("--features", type=Path, help="keep features of the matches here")
    parser.add_argument("--judged", type=Path, help="keep what was judged here")
    parser.add_argument("--part", default="", help="only pieces whose names begin so")
    asked = parser.parse_args()
    everything = pieces()
    rows: list[Judged] = []
    features: list[dict] = []
    chosen = [
        *recorded_pieces(everything),
        *rendered_pieces(everything)[asked.first :: asked.every],
    ]
    chosen = [each for each in chosen if on_its_grid(each[1].music)]
    if asked.judging:
        chosen = [each for each in chosen if not is_fitted(each[1], everything)]
    jobs = []
    for n, piece in chosen:
        kinds = ("plain", *(RENDERED[1 + (n + k) % 4] for k in range(4)))
        each = (RECORDED if piece.recorded else kinds)[: asked.takes]
        jobs += [(place, n, piece, kind) for place, kind in enumerate(each)]
    for _, n, piece, kind in sorted(jobs, key=lambda job: job[0]):
        there = not asked.kept or (asked.keep / f"{piece.name}-{kind}.pkl").exists()
        if there and piece.name.startswith(asked.part):
            take = kept(asked.keep, piece, kind, n)
            rows.append(judge(take, [] if asked.right else everything, features))
            for path, what in ((asked.features, features), (asked.judged, rows)):
                if path is not None:
                    path.write_bytes(pickle.dumps(what))
    table(rows)


if __name__ == "__main__":
    main()
