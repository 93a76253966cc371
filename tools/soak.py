#!/usr/bin/env python3
"""Thousands of nights on which everything goes wrong, and a judge of each.

    python tools/soak.py                    a thousand seeds
    python tools/soak.py --nights 20000 --from 5000
    python tools/soak.py --seed 94          one again, to look into

What is judged is said in syncbox/lab/soak.py, and in soak_wide.py for seeds from 100000 on,
which have pads, zones, time code, pulled cables and a leader as well. Exits with 1 when an
invariant broke.
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from syncbox.lab.soak_wide import broken_in


def night(seed: int) -> list[str]:
    try:
        return broken_in(seed)
    except Exception as error:  # an engine that stops is the worst of all
        return [f"seed {seed}, the engine failed: {error!r}"]


def main() -> int:
    parser = argparse.ArgumentParser(description="Nights on which everything goes wrong.")
    parser.add_argument("--nights", type=int, default=1000)
    parser.add_argument("--from", dest="first", type=int, default=0, metavar="SEED")
    parser.add_argument("--seed", type=int, help="only this one")
    parser.add_argument("--jobs", type=int, default=1)
    wanted = parser.parse_args()
    seeds = range(wanted.first, wanted.first + wanted.nights)
    if wanted.seed is not None:
        seeds = range(wanted.seed, wanted.seed + 1)
    began_s, broken = time.monotonic(), 0
    with ProcessPoolExecutor(wanted.jobs) as pool:
        for lines in pool.map(night, seeds, chunksize=20):
            broken += bool(lines)
            for line in lines:
                print(line, flush=True)
    took_s = time.monotonic() - began_s
    print(f"{len(seeds)} nights in {took_s:.0f} s, {broken} of them broke an invariant")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
