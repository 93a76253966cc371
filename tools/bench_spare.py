"""A spare computer against the first one: two JACK servers in two networks on this computer."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterator

from bench_table import Options, Row

from syncbox.lab.spare_trial import Outcome, Trial, Weather, trial
from syncbox.lab.two_machines import why_not

HEARABLE_MS = 6.0  # A. Friberg, J. Sundberg, J. Acoust. Soc. Am. 98(5), 1995
_LISTEN_S = 4.0
_BAD = Weather(delay_s=0.005, jitter_s=0.01, loss=0.1, double=0.05)

CASES: tuple[tuple[str, Callable[[Trial], None], Weather | None, tuple[str, ...]], ...] = (
    ("pedal", Trial.press_pedal, None, ()),
    ("first killed", Trial.kill_first, None, ()),
    ("cable pulled", Trial.pull_cable, None, ()),
    ("pedal, 5 to 15 ms late, 10 % lost", Trial.press_pedal, _BAD, ("--by-hand",)),
)


def spare_offset(options: Options) -> Iterator[Row]:
    """How late the spare's first clicks are against the first computer's grid."""
    if reason := why_not():
        yield Row("two machines on one", f"left out: {reason}")
        return
    for title, happens, weather, settings in CASES:
        found = [_once(happens, weather, settings) for _ in range(options.repeats)]
        yield _row(title, found)
        waited_s = [outcome.waited_s for outcome in found]
        yield Row(
            f"{title}: until the first click, of two a second",
            f"{statistics.median(waited_s):.2f} s",
            beside=f"longest {max(waited_s):.2f} s",
        )


def _once(
    happens: Callable[[Trial], None], weather: Weather | None, settings: tuple[str, ...]
) -> Outcome:
    with trial(*settings, weather=weather) as ready:
        happens(ready)
        ready.spare_says("took over" if happens is not Trial.press_pedal else "BOTH ARE PLAYING")
        time.sleep(_LISTEN_S)
        return ready.outcome()


def _row(title: str, found: list[Outcome]) -> Row:
    firsts = [abs(float(outcome.offsets_ms[0])) for outcome in found]
    worst = max(firsts)
    later = max(float(abs(outcome.offsets_ms).max()) for outcome in found)
    doubt = statistics.median(outcome.doubt_ms for outcome in found)
    return Row(
        f"{title}: first click off the first one's grid",
        f"{statistics.median(firsts):.2f} ms, at most {worst:.2f} ms",
        f"{HEARABLE_MS:g} ms",
        worst < HEARABLE_MS,
        f"first four {later:.2f} ms; apparatus {doubt:.2f} ms",
    )
