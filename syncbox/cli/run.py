"""`syncbox run`: play the show, with the stage screen or, in a script, with plain lines."""

from __future__ import annotations

from pathlib import Path

import click

from syncbox.cli.cues import cues_option
from syncbox.engine.script import CueScript
from syncbox.errors import DeviceError

OFFLINE = "offline"


@click.command(short_help="Play the show.")
@click.argument("show", type=click.Path(path_type=Path))
@click.option("--song", metavar="SONG", help="Begin with this song of the set (its file's name).")
@click.option(
    "--from",
    "where",
    metavar="SECTION|BAR",
    help="Come in at a section, or at a bar as `timeline` numbers them.",
)
@click.option("--resume", is_flag=True, help="Go on where the last show broke off.")
@click.option(
    "--driver",
    type=click.Choice(["auto", "jack", "portaudio", "simulated", OFFLINE]),
    default="auto",
    show_default=True,
    help="What plays it; auto takes the best that is present, offline only counts it through.",
)
@click.option(
    "--device", metavar="NAME", help="A part of the audio device's name, or a JACK server."
)
@click.option("--block", "block_frames", type=click.IntRange(16, 8192), help="Frames in a block.")
@click.option(
    "--rate", type=click.IntRange(8000, 384_000), help="Frames a second, if the driver can choose."
)
@click.option("--start", is_flag=True, help="Begin at once, without a key.")
@click.option(
    "--once", is_flag=True, help="Play the song (or the set) through without waiting, and leave."
)
@cues_option
@click.option(
    "--spare",
    "spare_at",
    metavar="ADDRESS",
    help="Tell the spare computer there where the show is (`syncbox guide spare`).",
)
@click.option("--plain", is_flag=True, help="Lines instead of the screen, also on a terminal.")
def run(
    *,
    show: Path,
    song: str | None,
    where: str | None,
    resume: bool,
    driver: str,
    device: str | None,
    block_frames: int | None,
    rate: int | None,
    start: bool,
    once: bool,
    cues: CueScript | None,
    spare_at: str | None,
    plain: bool,
) -> int:
    """Play SHOW: click, backing, MIDI clock and patch changes in sample lock.

    The level starts low: raise it with the Up key, and read `syncbox guide levels`
    before you put anything into an ear. Ctrl-C is always safe.
    """
    from rich.console import Console

    from syncbox.cli.journal import beginning, journal_of
    from syncbox.cli.leaving import leaving
    from syncbox.cli.perform import Performance, can_show_screen, summary
    from syncbox.cli.prepare import compiled, set_of_tonight
    from syncbox.cli.set_clock import SetClock
    from syncbox.cli.spare_first import spare_beside
    from syncbox.cli.straight import play_straight_through
    from syncbox.cli.view import Stage
    from syncbox.drivers.choose import DEFAULT_RATE, choose
    from syncbox.schedule.entry import StartAt

    console = Console()
    on_screen = driver != OFFLINE and not plain and can_show_screen(console)
    _somebody_starts(on_screen or start or driver == OFFLINE)
    song, where = beginning(show, song, where, resume=resume)
    with leaving() as leave:
        found, first = set_of_tonight(show, song, alone=once)
        start_at = StartAt(first, where) if where else None
        if driver == OFFLINE:
            program = compiled(found, rate or DEFAULT_RATE, start_at)
            play_straight_through(program, Stage(found, program.songs), first, cues or CueScript())
            return 0
        choice = choose(driver, device, rate=rate)
        click.echo(choice.why)
        program = compiled(found, choice.rate, start_at)
        # With a screen the person cues, unless a script is wanted.
        script = cues or (None if on_screen else CueScript())
        options = {"block_frames": block_frames, "song_index": first, "script": script}
        stage = Stage(found, program.songs, sources=program.sources)
        performance = Performance(stage, start=start, once=once, leave=leave)
        performance.against(SetClock(found))
        beside = spare_beside(spare_at, performance, (show, found), (song, where), choice.rate)
        shown_on = console if on_screen else None
        with journal_of(show, found, performance):
            status = performance.live(program, choice, shown_on, options, beside)
        click.echo(summary(status, found.rig))
    return 128 + leave.asked_by if leave.asked_by else 0


def _somebody_starts(can: bool, /) -> None:
    if not can:
        raise DeviceError(
            "there is no terminal here, so nobody can press start",
            hint="add --start to begin at once",
        )
