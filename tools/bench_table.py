"""One table for all benches: ours, the target, and what it is compared with in the same run."""

from __future__ import annotations

import os
import platform
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]


@dataclass(frozen=True)
class Row:
    """One figure. `met` is None where there is no target; `beside` is from the same run."""

    what: str
    ours: str
    target: str = ""
    met: bool | None = None
    beside: str = ""


@dataclass(frozen=True)
class Options:
    """How long the benches may take; `seconds` is the length of each real-time run."""

    quick: bool
    seconds: float
    repeats: int


def median_s(job: Callable[[], Any], repeats: int) -> float:
    """Median seconds of a job over so many runs, after one that does not count."""
    job()
    lengths = []
    for _ in range(repeats):
        began = time.perf_counter()
        job()
        lengths.append(time.perf_counter() - began)
    return statistics.median(lengths)


def ratio(theirs_s: float, ours_s: float) -> str:
    return f"{theirs_s / ours_s:.1f} times"


def machine() -> str:
    load = f", load {os.getloadavg()[0]:.2f}" if hasattr(os, "getloadavg") else ""
    return (
        f"{platform.system()} {platform.release()} {platform.machine()}, {os.cpu_count()} "
        f"processors{load}, Python {platform.python_version()}"
    )


@contextmanager
def busy_processes(count: int) -> Iterator[None]:
    """So many processes that do nothing but keep a processor busy, at normal priority."""
    code = "import math\nwhile True:\n    sum(math.sqrt(n) for n in range(10_000))"
    workers = [subprocess.Popen([sys.executable, "-c", code]) for _ in range(count)]
    try:
        time.sleep(0.5)
        yield
    finally:
        for worker in workers:
            worker.kill()
            worker.wait()


def show_rows(bench: str, rows: Iterator[Row] | list[Row]) -> list[Row]:
    """Print the rows as they come, and give them back."""
    done = []
    print(f"\n{bench}")
    for row in rows:
        verdict = {True: "met", False: "MISSED", None: ""}[row.met]
        print(f"  {row.what:<52} {row.ours:>24}  {row.target:<18} {verdict:<7} {row.beside}")
        sys.stdout.flush()
        done.append(row)
    return done
