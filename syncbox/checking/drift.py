"""Stems and loops against the tempo map: the wrong tempo is found before the rehearsal.

The hits of a sound are laid on the bars that play beside it, and the same again as if
the sound ran a little faster or slower. The ratio at which its hits gather best on
sixteenths or triplets is the sound's own tempo. Free playing gathers nowhere, and then
nothing is said.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from syncbox.audio.cache import Cache, key_of
from syncbox.audio.clips import inside, read_clip
from syncbox.audio.find import first_strong
from syncbox.audio.onsets import find_onsets
from syncbox.errors import ShowError, SyncboxError
from syncbox.score.checks import items, warning
from syncbox.score.layout import LegKind, Step, Until, lay_out, usual_path
from syncbox.score.problem import Problem
from syncbox.score.reading.show import Draft
from syncbox.score.song import AudioKind, FitWay, Item, PlayAudio, Song
from syncbox.score.written import PlacedItem
from syncbox.units import TICKS_PER_QUARTER

VERSION = 2  # of the analysis: raised when it would say something else
RATE = 24_000  # hits are found at this rate
LISTEN_S = 90.0  # of a sound
HITS_MIN = 12
RATIO_MIN, RATIO_MAX = 0.75, 1.34  # own tempo to the map's
SLOW_PART = 1 / 4  # of a grid step at the end: how close neighbouring ratios are tried
STANDS_OUT = 15.0  # so many times as good as most ratios: the sound has a tempo
FIT_MIN = 0.3  # how well hits must lie on their best tempo, 0 to 1: free playing does not
BETTER = 1.25  # so many times as good as the map: the sound has another tempo
# Own tempi whose hits lie on the map's triplets or sixteenths too, and how many times as likely
# as the map's they must be. Plain sixteenths look like another tempo's triplets, so 4/3 is dear.
CROSSING = {3 / 4: 1.15, 4 / 3: 2.4}
CROSSING_NEAR = 0.01  # of the ratio
DRIFT_MS_MAX = 25.0  # apart at the end of what was listened to
OFFSET_MS_MAX = 35.0  # hits beside the grid; a relaxed player stays within this

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lie:
    """How a sound's hits lie on the map: own tempo to the map's, and how late they are."""

    ratio: float
    certain: bool
    better: bool  # the ratio fits clearly better than 1 does
    crosses: bool  # 1 fits as well, but then it would play across the beat all the time
    keeps_tempo: bool  # it keeps one tempo where the map's moves: the ratio is to the map's first
    apart_ms: float  # sound and bars at the last hit that was used
    offset_ms: float
    first_hit_s: float  # in the file
    seconds: float  # from the start to the last hit that was used


def check_drift(draft: Draft, folder: Path) -> Iterator[Problem]:
    """Stems and loops of a show that run away from their bars, or lie beside them.

    Files that cannot be read are not mentioned: `check_sounds` does that.
    """
    cache = Cache.beside(folder)
    for song_id, song in draft.show.songs.items():
        if song_id in draft.broken or not any(map(_can_drift, items(song))):
            continue
        try:
            path = usual_path(lay_out(song))
        except ShowError:
            continue
        done: set[tuple[str, object]] = set()
        for index, placed, play in _plays(path):
            if (play.file, placed.item) in done:
                continue
            done.add((play.file, placed.item))
            try:
                yield from _check(song, path[index:], placed, folder, cache)
            except (SyncboxError, OSError):
                continue


def _can_drift(item: Item) -> bool:
    """Whether an item plays a sound beside the bars that is not brought to their length."""
    play = item.what
    if not isinstance(play, PlayAudio):
        return False
    return play.kind is not AudioKind.ONE_SHOT and play.fit is FitWay.OFF


def _plays(path: Sequence[Step]) -> Iterator[tuple[int, PlacedItem, PlayAudio]]:
    for index, step in enumerate(path):
        for placed in step.leg.items:
            play = placed.what
            if isinstance(play, PlayAudio) and _can_drift(placed.item):
                yield index, placed, play


def _check(
    song: Song,
    path: Sequence[Step],
    placed: PlacedItem,
    folder: Path,
    cache: Cache,
) -> Iterator[Problem]:
    play = placed.what
    assert isinstance(play, PlayAudio)
    seconds, quarters = _line(path, placed.tick, play)
    if len(seconds) < 2:
        return
    start_s = None if play.start_found else float(play.start_seconds)
    found = lie(inside(folder, play.file), start_s, (seconds, quarters), cache)
    if not found.certain:
        return
    tempo = 60 * (quarters[1] - quarters[0]) / (seconds[1] - seconds[0])
    if found.crosses:
        yield warning(
            placed.item.place,
            f"'{play.file}' runs at about quarter = {tempo * found.ratio:.2f}, or plays across "
            f"the beat all the time: '{song.title}' is at {tempo:.2f} here",
            "listen to it beside the click; if it runs away, correct the tempo or the file",
        )
    elif found.better and found.apart_ms > DRIFT_MS_MAX:
        own = f"'{play.file}' runs at about quarter = {tempo * found.ratio:.2f}"
        there = f"'{song.title}' is at {tempo:.2f} here"
        if found.keeps_tempo:
            own = f"'{play.file}' keeps quarter = {tempo * found.ratio:.2f}"
            there = f"the tempo of '{song.title}' moves here"
        yield warning(
            placed.item.place,
            f"{own}, but {there}: {found.apart_ms:.0f} ms apart after {found.seconds:.0f} s",
            "correct the tempo, or play another file"
            + ("; a loop can follow: add fit: slices" if play.kind is AudioKind.LOOP else ""),
        )
    elif not found.better and abs(found.offset_ms) > OFFSET_MS_MAX:
        side = "after" if found.offset_ms > 0 else "before"
        yield warning(
            placed.item.place,
            f"the hits of '{play.file}' lie {abs(found.offset_ms):.0f} ms {side} the beats",
            f"its first strong hit is at {found.first_hit_s:.3f} s: if that is bar 1, "
            f"write from: {found.first_hit_s * 1000:.0f} ms, or from: first hit",
        )


def _line(path: Sequence[Step], tick: int, play: PlayAudio) -> tuple[Values, Values]:
    """Seconds from a sound's start and quarters from there, while nothing waits for a cue.

    A loop goes as far as its bars; a stem until it is over or the song waits.
    """
    seconds, quarters = [0.0], [0.0]
    for step in path:
        leg = step.leg
        if leg.kind is not LegKind.SECTION:
            break
        last = leg.ticks
        if play.kind is AudioKind.LOOP:
            later = [bar.start_tick for bar in leg.bars if bar.start_tick > tick]
            last = later[play.every_bars - 1] if len(later) >= play.every_bars else leg.ticks
        ticks = np.arange(tick, last, TICKS_PER_QUARTER // 8, dtype=np.int64)
        ticks = np.append(ticks, last)
        at = leg.tempo_map.seconds_of(ticks)
        seconds += (seconds[-1] + at[1:] - at[0]).tolist()
        quarters += (quarters[-1] + (ticks[1:] - ticks[0]) / TICKS_PER_QUARTER).tolist()
        if play.kind is AudioKind.LOOP or leg.until is Until.CUE or seconds[-1] > LISTEN_S:
            break
        tick = 0
    return np.array(seconds), np.array(quarters)


def lie(path: Path, start_s: float | None, line: tuple[Values, Values], cache: Cache) -> Lie:
    """How the hits of a file from `start_s` on lie on a line of seconds and quarters.

    None: from its first strong hit on. Kept in the cache. Raises SyncboxError for a
    file that cannot be read.
    """
    source = cache.source(path)
    hits = cache.note(key_of("hits", VERSION, source, RATE), lambda: _hits(path))
    start_s = hits[2][0] if start_s is None else start_s
    name = key_of("lie", VERSION, source, start_s, *(values.tolist() for values in line))
    return Lie(*cache.note(name, lambda: _lie(hits, start_s, line)))


def _hits(path: Path) -> list[list[float]]:
    """Seconds and strengths of the hits of a file's first minutes."""
    sound = read_clip(path, RATE)
    found = find_onsets(sound[:, : round(2 * LISTEN_S * RATE)], RATE)
    first = first_strong(found) / RATE
    return [(found.frames / RATE).tolist(), found.strengths.tolist(), [first]]


def _lie(
    hits: list[list[float]], start_s: float, line: tuple[Values, Values]
) -> tuple[float, bool, bool, bool, bool, float, float, float, float]:
    at, strengths = np.array(hits[0]) - start_s, np.array(hits[1])
    first = next((t for t, s in zip(hits[0], hits[1], strict=True) if t >= start_s), 0.0)
    first = max(first, hits[2][0] if hits[2][0] >= start_s else 0.0)
    end_s = min(float(line[0][-1]) / RATIO_MAX, LISTEN_S)
    used = (at >= -0.05) & (at <= end_s)
    at, strengths = at[used], np.sqrt(strengths[used])
    if len(at) < HITS_MIN:
        return 1.0, False, False, False, False, 0.0, 0.0, first, 0.0
    last = float(at[-1])
    ratio, certain, fit = _own_tempo(at, strengths, line)
    own = _fit(at, strengths, line)
    apart_ms = abs(ratio - 1) * last * 1000
    late_ms = _offset_ms(at, strengths, line)
    better = fit >= BETTER * own
    if certain or _is_steady(line):
        crosses = certain and not better and _crosses(at, strengths, line, ratio)
        return ratio, certain, better, crosses, False, apart_ms, late_ms, first, last
    # The tempo moves in the map: the sound may know nothing of that.
    straight = (line[0], line[0] * (line[1][1] / line[0][1]))
    ratio, certain, fit = _own_tempo(at, strengths, straight)
    there_s = float(np.interp(np.interp(last * ratio, *straight), line[1], line[0]))
    apart_ms = abs(there_s - last) * 1000
    return ratio, certain, fit >= BETTER * own, False, True, apart_ms, late_ms, first, last


def _crosses(at: Values, weights: Values, line: tuple[Values, Values], ratio: float) -> bool:
    """Whether a tempo in 3 to 4 with the map's, whose grid is on the map's too, is likelier."""
    there, here = _score(at * ratio, weights, line), _score(at, weights, line)
    return any(
        abs(ratio / crossing - 1) <= CROSSING_NEAR and there >= times * here
        for crossing, times in CROSSING.items()
    )


def _own_tempo(
    at: Values, weights: Values, line: tuple[Values, Values]
) -> tuple[float, bool, float]:
    """The ratio at which hits lie best on a line, whether that is certain, and how well."""
    steps = float(np.interp(at[-1], *line)) * 4
    ratios = np.arange(RATIO_MIN, RATIO_MAX, SLOW_PART / max(steps, 1.0))
    scores = np.array([_score(at * ratio, weights, line) for ratio in ratios])
    fine = float(ratios[scores.argmax()]) + np.linspace(-1, 1, 81) * (ratios[1] - ratios[0])
    best = float(fine[np.argmax([_score(at * ratio, weights, line) for ratio in fine])])
    fit = max(_fit(at * best, weights, line), _fit(at, weights, line))
    highest = max(float(scores.max()), _score(at, weights, line))
    certain = highest >= STANDS_OUT * float(np.median(scores)) and fit >= FIT_MIN
    return best, certain, _fit(at * best, weights, line)


def _is_steady(line: tuple[Values, Values]) -> bool:
    slopes = np.diff(line[1]) / np.diff(line[0])
    return bool(np.ptp(slopes) < 1e-6 * slopes.max())


def _turns(at: Values, weights: Values, line: tuple[Values, Values], parts: int) -> complex:
    turns = np.exp(2j * np.pi * parts * np.interp(at, *line))
    return complex((weights * turns).sum() / weights.sum())


def _score(at: Values, weights: Values, line: tuple[Values, Values]) -> float:
    """How likely a tempo is. Weighted so that a shuffle is not taken for half as fast again.

    The weights are our own, tried on generated stems, straight and shuffled.
    """
    by = {n: abs(_turns(at, weights, line, n)) ** 2 for n in (1, 2, 3, 4)}
    return by[1] + max(0.7 * by[2] + 0.5 * by[4], 1.1 * by[3])


def _fit(at: Values, weights: Values, line: tuple[Values, Values]) -> float:
    """How well hits lie on some grid of a tempo, 0 to 1, whichever they use."""
    return max(abs(_turns(at, weights, line, parts)) ** 2 for parts in (2, 3, 4))


def _offset_ms(at: Values, weights: Values, line: tuple[Values, Values]) -> float:
    """How late hits lie on the grid that they gather on best, ms."""
    parts = max((2, 3, 4), key=lambda n: abs(_turns(at, weights, line, n)))
    late = float(np.angle(_turns(at, weights, line, parts))) / (2 * np.pi) / parts
    quarter_s = (line[0][-1] - line[0][0]) / (line[1][-1] - line[1][0])
    return late * float(quarter_s) * 1000
