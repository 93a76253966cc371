"""How loud the mixes of a show are at the ears: every song played through once and metered."""

from __future__ import annotations

from collections.abc import Sequence

from syncbox.audio.exposure import Meter
from syncbox.audio.prepare import prepare_show
from syncbox.audio.voices import click_voices
from syncbox.drivers.offline import PREROLL_SECONDS, play_through
from syncbox.errors import ShowError
from syncbox.pack.render import SongJob
from syncbox.schedule.compile import compile_show
from syncbox.score.rig import Calibration, Rig

Levels = list[tuple[float, float]]  # seconds, A-weighted dBFS


def calibrations_of(rig: Rig, mix: str | None) -> tuple[Calibration, ...]:
    """The calibrations of one mix, or of all that have one. Raises ShowError where there is none.

    The message is for somebody who would like to know how loud it is.
    """
    names = [each.name for each in rig.mixes]
    if mix is not None and mix not in names:
        raise ShowError(f"there is no mix '{mix}'", hint=f"the mixes are {', '.join(names)}")
    found = tuple(each for each in rig.calibrations if mix in (None, each.mix))
    if not found:
        whose = "any mix" if mix is None else f"the mix '{mix}'"
        raise ShowError(
            f"nobody can say how loud {whose} is at the ear: it has not been measured there",
            hint="play the test tone, hold a sound level meter to the ear piece, and write what it "
            "shows under 'calibration' in rig.yaml; `syncbox guide levels` tells how",
        )
    return found


def metered_song(job: SongJob, mixes: Sequence[str]) -> dict[str, Levels]:
    """What each mix sends out in a song at full level, second by second.

    Raises UnreadableError or ShowError for a sound that cannot be played.
    """
    clips = prepare_show(job.show, job.rate)
    program = compile_show(job.show, job.rate, clips, click_voices(job.rate))
    plans = {plan.name: plan for plan in program.mixes if plan.name in mixes}
    meters = {name: Meter(job.rate, len(plan.channels)) for name, plan in plans.items()}
    for first, block in play_through(program, script=job.script, tail_seconds=0.0):
        if first >= PREROLL_SECONDS * job.rate:
            for name, plan in plans.items():
                meters[name].add(block.audio[list(plan.channels)])
    return {name: meter.levels() for name, meter in meters.items()}
