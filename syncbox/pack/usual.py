"""The usual route of a song as it goes into a file: every leg with a length in ticks.

A hold has seconds but no ticks, and a file's time is counted in ticks, so it is given
as many quarters as fit its seconds best at the tempo before it; its own tempo makes
up the exact length. Tick 0 of the file is the first thing that is played: the
count-in, else the pickup, else bar 1.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from syncbox.engine.script import CueScript
from syncbox.errors import ShowError
from syncbox.score.layout import Leg, LegKind, Route, Step, Until, usual_path
from syncbox.score.meter import NUMERATOR_MAX
from syncbox.score.song import Section
from syncbox.units import TICKS_PER_QUARTER, round_half_up

QUARTER_SECONDS_MAX = 16  # a tempo is at most 0xFFFFFF microseconds a quarter
HOLD_SECONDS_MAX = NUMERATOR_MAX * QUARTER_SECONDS_MAX  # a hold is one bar of quarters


@dataclass(frozen=True, slots=True)
class FileStep:
    """One round of a leg at its place in the file."""

    step: Step
    start_tick: int
    ticks: int

    @property
    def leg(self) -> Leg:
        return self.step.leg


def file_steps(route: Route) -> tuple[FileStep, ...]:
    """Every round of the usual path that lasts, without gaps, from tick 0.

    Raises ShowError for a hold that no file can hold.
    """
    steps: list[FileStep] = []
    tick = 0
    for step in usual_path(route):
        ticks = _hold_ticks(step.leg) if step.leg.kind is LegKind.HOLD else step.leg.ticks
        if ticks:
            steps.append(FileStep(step, tick, ticks))
        tick += ticks
    return tuple(steps)


def _hold_ticks(leg: Leg) -> int:
    """Whole quarters for a hold, in ticks: at least one unless it lasts no time."""
    if not leg.hold_seconds:
        return 0
    if leg.hold_seconds > HOLD_SECONDS_MAX:
        raise ShowError(
            f"the hold in {leg.section} lasts {float(leg.hold_seconds):g} s; a MIDI file can "
            f"hold {HOLD_SECONDS_MAX} s",
            hint="write a shorter usual length",
        )
    at_tempo = round_half_up(leg.hold_seconds * leg.tempo_map.tempo_at(0) / 60)
    at_least = -(-leg.hold_seconds // QUARTER_SECONDS_MAX)
    return min(NUMERATOR_MAX, max(1, at_tempo, at_least)) * TICKS_PER_QUARTER


def marks(route: Route) -> Iterator[tuple[int, Fraction, str]]:
    """Where each part begins, as (tick in the file, seconds from bar 1, label), ascending.

    The count-in, the pickup, and every pass through a section; a vamp is marked once.
    """
    previous = None
    for placed in file_steps(route):
        leg = placed.leg
        here = (leg.section_index, leg.pass_no, leg.kind if leg.section_index < 0 else None)
        if here != previous:
            yield placed.start_tick, placed.step.start_s, label(route.song.sections, leg)
        previous = here


def label(sections: tuple[Section, ...], leg: Leg) -> str:
    """What a marker says: rehearsal mark, name, and which time round if there are several."""
    if leg.section_index < 0:
        return leg.section
    mark = sections[leg.section_index].mark
    times = f" ({leg.pass_no} of {leg.passes})" if leg.passes > 1 else ""
    return f"{mark} {leg.section}{times}".strip()


def cued(route: Route, script: CueScript) -> Route:
    """The route with a script's rounds and seconds as its usual ones, as the engine takes them."""
    legs: list[Leg] = []
    vamps = holds = 0
    for leg in route.legs:
        if leg.until is not Until.CUE:
            legs.append(leg)
        elif leg.kind is LegKind.HOLD:
            seconds = script.hold_of(holds, leg.hold_seconds)
            legs.append(replace(leg, hold_seconds=seconds))
            holds += 1
        else:
            legs.append(replace(leg, usual_rounds=script.rounds_of(vamps, leg.usual_rounds)))
            vamps += 1
    return replace(route, legs=tuple(legs))


def shares(script: CueScript, routes: Iterable[Route]) -> Iterator[CueScript]:
    """What of one script for a whole set falls to each song of it, in order."""
    vamps = holds = 0
    for route in routes:
        waiting = [leg.kind for leg in route.legs if leg.until is Until.CUE]
        hold_count = waiting.count(LegKind.HOLD)
        vamp_count = len(waiting) - hold_count
        yield CueScript(
            script.rounds[vamps : vamps + vamp_count],
            script.hold_seconds[holds : holds + hold_count],
        )
        vamps, holds = vamps + vamp_count, holds + hold_count
