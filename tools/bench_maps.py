"""Tempo map queries: a million ticks to seconds, beside a loop over mido's own conversion."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Iterator
from fractions import Fraction

import mido
import numpy as np
from bench_table import Options, Row, median_s, ratio

from syncbox.score.tempo import Segment, TempoMap
from syncbox.units import TICKS_PER_QUARTER

QUERIES, TARGET = 1_000_000, 20
BARS, STEPS = 200, 50


def _tempi_us(steps: int) -> list[int]:
    """Microseconds a quarter, whole, so that a MIDI file can say them."""
    chance = random.Random(7)
    return [chance.randrange(300_000, 900_000) for _ in range(steps)]


def _rows(steps: int, options: Options) -> Iterator[Row]:
    tempi = _tempi_us(steps)
    length = BARS * 4 * TICKS_PER_QUARTER // steps
    tempo_map = TempoMap(
        [Segment(n * length, length, Fraction(60_000_000, us)) for n, us in enumerate(tempi)]
    )
    ticks = np.sort(np.random.default_rng(7).integers(0, steps * length, QUERIES))
    as_list = ticks.tolist()
    starts = [n * length for n in range(steps)]
    offsets_s = [0.0]
    for us in tempi:
        offsets_s.append(offsets_s[-1] + mido.tick2second(length, TICKS_PER_QUARTER, us))

    def theirs() -> list[float]:
        if steps == 1:
            return [mido.tick2second(tick, TICKS_PER_QUARTER, tempi[0]) for tick in as_list]
        found = []
        for tick in as_list:
            n = bisect_right(starts, tick) - 1
            within = mido.tick2second(tick - starts[n], TICKS_PER_QUARTER, tempi[n])
            found.append(offsets_s[n] + within)
        return found

    ours_s = median_s(lambda: tempo_map.seconds_of(ticks), 5 * options.repeats)
    theirs_s = median_s(theirs, options.repeats)
    apart = float(np.abs(tempo_map.seconds_of(ticks) - np.array(theirs())).max())
    faster = theirs_s / ours_s
    what = "one tempo" if steps == 1 else f"{steps} tempi"
    yield Row(
        f"a million ticks to seconds, {what}",
        f"{ours_s * 1000:.2f} ms",
        f"{TARGET} times faster",
        faster >= TARGET and apart < 1e-9,
        f"mido.tick2second in a loop {theirs_s * 1000:.0f} ms, {ratio(theirs_s, ours_s)}; "
        f"results within {apart:.0e} s",
    )


def map_queries(options: Options) -> Iterator[Row]:
    yield from _rows(1, options)
    yield from _rows(STEPS, options)
