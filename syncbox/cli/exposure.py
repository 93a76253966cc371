"""`syncbox exposure`: how loud a show is at a measured ear, and what dose that is."""

from __future__ import annotations

from fractions import Fraction
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.cli.cues import cues_option

if TYPE_CHECKING:
    from syncbox.audio.exposure import Exposure, Stretch
    from syncbox.engine.script import CueScript
    from syncbox.score.rig import Calibration, Show

RATE = 48_000
CAUTION = """\
This is an estimate from one reading. It counts only what this program sends out, not the stage,
the room or another device, and it is wrong as soon as a knob behind the computer has moved or the
ear piece sits otherwise. A low number is no promise: ears differ, and what has once been damaged
does not come back. Local rules for noise at work and at events come first, and the advice of a
hearing professional comes before anything here. Ringing or dull ears: too loud or too long."""


def _duration(ctx: click.Context, param: click.Parameter, value: str | None) -> Fraction | None:
    """A length of time as musicians write it."""
    from syncbox.score.reading.numbers import seconds
    from syncbox.score.reading.report import Mistake

    if value is None:
        return None
    try:
        found = seconds(value)
    except Mistake as mistake:
        raise click.BadParameter(f"{mistake.what}: {mistake.hint}", ctx, param) from None
    if found <= 0:
        raise click.BadParameter("nothing lasts no time: write for example '3 h'", ctx, param)
    return found


@click.command(short_help="Estimate how loud the show is at a measured ear.")
@click.argument("show", type=click.Path(path_type=Path))
@click.option("--song", metavar="SONG", help="This song only, by its file's name or title.")
@click.option("--mix", metavar="MIX", help="This mix only; otherwise all that are measured.")
@click.option(
    "--level",
    type=click.FloatRange(-40.0, 0.0),
    default=0.0,
    show_default=True,
    help="The level that the screen shows while you play, in dB.",
)
@click.option(
    "--for",
    "lasting",
    metavar="TIME",
    callback=_duration,
    help="A rehearsal of this length with the same songs over and over: '3 h'.",
)
@cues_option
def exposure(
    *,
    show: Path,
    song: str | None,
    mix: str | None,
    level: float,
    lasting: Fraction | None,
    cues: CueScript | None,
) -> None:
    """Estimate how loud SHOW is at an ear that was measured, and what dose that is.

    Needs a `calibration` in rig.yaml: what a sound level meter showed at the ear for the test
    tone. Without it the level at an ear cannot be known, and nothing is computed.
    """
    from syncbox.cli.prepare import only_song, playable_show, with_song
    from syncbox.engine.script import CueScript
    from syncbox.pack.exposure import calibrations_of

    whole = playable_show(show)
    try:
        calibrations = calibrations_of(whole.rig, mix)
    finally:
        click.echo(f"{CAUTION}\n", err=True)
    chosen = whole if song is None else only_song(*with_song(whole, song))
    _report(chosen, calibrations, level, lasting, cues or CueScript())


def _report(
    show: Show,
    calibrations: tuple[Calibration, ...],
    level_db: float,
    lasting: Fraction | None,
    script: CueScript,
) -> None:
    from syncbox.audio.exposure import Exposure, at_ear
    from syncbox.pack.exposure import metered_song
    from syncbox.pack.render import song_jobs

    jobs = song_jobs(show, Path(), rate=RATE, script=script)
    heard: dict[str, list[Stretch]] = {each.mix: [] for each in calibrations}
    lines: dict[str, list[str]] = {each.mix: [] for each in calibrations}
    for job in jobs:
        levels = metered_song(job, list(heard))
        title = job.show.songs[job.entry.song_id].title
        for each in calibrations:
            stretches = at_ear(levels[each.mix], each, level_db)
            heard[each.mix] += stretches
            lines[each.mix].append(_line(title, Exposure.of(stretches)))
    for each in calibrations:
        click.echo(
            f"{each.mix}: {each.reading_dba:g} dBA was read for a tone of {each.tone_dbfs:g} dBFS; "
            f"played at {level_db:g} dB"
        )
        for line in lines[each.mix]:
            click.echo(line)
        total = Exposure.of(heard[each.mix])
        if len(jobs) > 1:
            click.echo(_line("all together", total))
        if lasting is not None:
            total = total.lasting(float(lasting))
            click.echo(_line("the same for so long", total))
        for line in _judgement(total):
            click.echo(f"  {line}")


def _line(title: str, found: Exposure) -> str:
    minutes, seconds = divmod(round(found.seconds), 60)
    if found.laeq_dba == -inf:
        return f"  {title:28.28} {minutes:3}:{seconds:02}  silent"
    return (
        f"  {title:28.28} {minutes:3}:{seconds:02}  {found.laeq_dba:5.1f} dBA on average, "
        f"loudest second {found.loudest_dba:5.1f} dBA"
    )


def _judgement(found: Exposure) -> list[str]:
    """What the doses mean, in words."""
    from syncbox.audio.exposure import NIOSH_CEILING_DBA, niosh_minutes, who_hours

    if found.laeq_dba == -inf:
        return ["Nothing of this mix was heard."]
    level = found.laeq_dba
    lines = [
        f"{found.day_percent:.0f} % of a working day's allowance (NIOSH 1998: 85 dBA for 8 hours, "
        f"half the time for each 3 dB); at {level:.1f} dBA it lasts {_time(niosh_minutes(level))}",
        f"{found.week_percent:.0f} % of a week's allowance for listening (WHO-ITU H.870: 80 dBA "
        f"for 40 hours), {found.careful_week_percent:.0f} % for sensitive ears (75 dBA); at "
        f"{level:.1f} dBA the week's lasts {_time(60 * who_hours(level))}",
    ]
    if found.day_percent > 100 or found.week_percent > 100:
        lines.append("Too much: turn it down, play for a shorter time, or both.")
    if found.loudest_dba >= NIOSH_CEILING_DBA:
        lines.append(f"Above {NIOSH_CEILING_DBA:g} dBA nobody may be exposed at all.")
    return lines


def _time(minutes: float) -> str:
    if minutes >= 24 * 60:
        return "more than a day"
    if minutes >= 60:
        return f"{int(minutes // 60)} h {int(minutes % 60)} min"
    return f"{minutes:.0f} min" if minutes >= 1 else f"{60 * minutes:.0f} s"
