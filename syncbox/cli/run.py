"""`syncbox run`: play the show, with the stage screen or, in a script, with plain lines."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from syncbox.cli.cues import cues_option
from syncbox.cli.driver_option import driver_options
from syncbox.cli.page import Page, page_option
from syncbox.engine.script import CueScript
from syncbox.errors import DeviceError

if TYPE_CHECKING:
    from syncbox.cli.leaving import Leaving
    from syncbox.cli.perform import Performance
    from syncbox.drivers.forsaken import Stay
    from syncbox.schedule.entry import StartAt
    from syncbox.schedule.program import Program
    from syncbox.score.rig import Show

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
@driver_options(
    "What plays it; auto takes the best that is present, offline only counts it through.", OFFLINE
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
@page_option("Serve the stage page to the band's phones (`syncbox guide page`).")
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
    page_port: int | None,
    plain: bool,
) -> int:
    """Play SHOW: click, backing, MIDI clock and patch changes in sample lock.

    The level starts low: raise it with the Up key, and read `syncbox guide levels`
    before you put anything into an ear. Ctrl-C is always safe. If this process is killed
    the show plays on, and the same command again is its screen (`syncbox guide surviving`).
    """
    from rich.console import Console

    from syncbox.cli.journal import beginning, journal_of
    from syncbox.cli.leaving import exit_code, leaving
    from syncbox.cli.perform import can_show_screen, summary
    from syncbox.cli.prepare import compiled, set_of_tonight
    from syncbox.cli.spare_first import card_of_beginning, telling_spare
    from syncbox.cli.taking_over import OnStage, as_host, carry_on, files_of, stay_of
    from syncbox.drivers.choose import choose

    console = Console()
    on_screen = driver != OFFLINE and not plain and can_show_screen(console)
    shown_on = console if on_screen else None
    with leaving() as leave, as_host(show, driver) as run_file, Page(page_port) as page:
        late = _only_for_a_beginning(song=song, place=where, resume=resume)
        if carry_on(show, run_file, shown_on, leave, page, once=once, late=late, spare_at=spare_at):
            return exit_code(leave)
        _somebody_starts(on_screen or start or driver == OFFLINE)
        song, where = beginning(show, song, where, resume=resume)
        found, first = set_of_tonight(show, song, alone=once)
        if driver == OFFLINE:
            page.means_nothing("nothing is shown while it only counts")
            return _count_through(found, first, where, rate, cues)
        choice = choose(driver, device, rate=rate)
        click.echo(choice.why)
        page.open()
        program = compiled(found, choice.rate, _start_at(first, where))
        entry = (song or "", where or "")
        told = card_of_beginning(spare_at, (show, found), entry, choice.rate)
        stay = stay_of(run_file, OnStage(found, files_of(show), entry, told, page=page.job))
        options = _options(first, block_frames, cues, stay, by_hand=on_screen)
        performance = page.attach(_performance(found, program, leave, start=start, once=once))
        with journal_of(show, found, performance), telling_spare(told, performance) as beside:
            status = performance.live(program, choice, shown_on, options, beside)
        click.echo(summary(status, found.rig))
    return exit_code(leave)


def _performance(
    show: Show, program: Program, leave: Leaving, *, start: bool, once: bool
) -> Performance:
    from syncbox.cli.perform import Performance
    from syncbox.cli.view import Stage
    from syncbox.drivers.set_clock import SetClock

    stage = Stage(show, program.songs, sources=program.sources)
    performance = Performance(stage, start=start, once=once, leave=leave)
    performance.against(SetClock(show, program.songs))
    return performance


def _start_at(song_index: int, where: str | None) -> StartAt | None:
    from syncbox.schedule.entry import StartAt

    return StartAt(song_index, where) if where else None


def _options(
    first: int,
    block_frames: int | None,
    cues: CueScript | None,
    stay: Stay | None,
    *,
    by_hand: bool,
) -> dict[str, Any]:
    """Of the session. With a screen the person cues, unless a script is wanted."""
    script = cues or (None if by_hand else CueScript())
    return {"block_frames": block_frames, "song_index": first, "script": script, "stay": stay}


def _count_through(
    show: Show, first: int, where: str | None, rate: int | None, cues: CueScript | None
) -> int:
    from syncbox.cli.prepare import compiled
    from syncbox.cli.straight import play_straight_through
    from syncbox.cli.view import Stage
    from syncbox.drivers.choose import DEFAULT_RATE

    program = compiled(show, rate or DEFAULT_RATE, _start_at(first, where))
    play_straight_through(program, Stage(show, program.songs), first, cues or CueScript())
    return 0


def _only_for_a_beginning(**given: object) -> str:
    """Options that were given and mean nothing for a show that plays already."""
    names = {"place": "--from"}
    return ", ".join(names.get(name, f"--{name}") for name, value in given.items() if value)


def _somebody_starts(can: bool, /) -> None:
    if not can:
        raise DeviceError(
            "there is no terminal here, so nobody can press start",
            hint="add --start to begin at once",
        )
