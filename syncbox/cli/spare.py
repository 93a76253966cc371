"""`syncbox spare`: a second computer that goes along silently, and takes over."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from syncbox.cli.cues import cues_option
from syncbox.cli.driver_option import driver_options
from syncbox.cli.page import Page, page_option

if TYPE_CHECKING:
    from syncbox.drivers.forsaken import Stay
    from syncbox.drivers.spare_post import Address, Post
    from syncbox.engine.script import CueScript

_LISTEN_S = 3.0
_SECONDS_MAX = 60.0


@click.command(short_help="A second computer goes along silently, and takes over.")
@click.argument("show", type=click.Path(path_type=Path))
@click.option("--port", type=click.IntRange(1, 65_535), help="The network port to listen on.")
@click.option(
    "--first",
    "first_at",
    metavar="ADDRESS",
    help="The computer that plays, where it does not know of this one.",
)
@click.option(
    "--after",
    "patience_s",
    type=click.FloatRange(1.0, _SECONDS_MAX),
    default=2.0,
    show_default=True,
    help="Take over when nothing has been heard for so many seconds.",
)
@click.option("--by-hand", is_flag=True, help="Never take over without a key or a pedal.")
@driver_options()
@click.option("--block", "block_frames", type=click.IntRange(16, 8192), help="Frames in a block.")
@click.option(
    "--rate", type=click.IntRange(8000, 384_000), help="Frames a second, if the driver can choose."
)
@cues_option
@page_option("Serve the stage page to the band's phones (`syncbox guide page`).")
@click.option("--plain", is_flag=True, help="Lines instead of the screen, also on a terminal.")
def spare(
    *,
    show: Path,
    port: int | None,
    first_at: str | None,
    patience_s: float,
    by_hand: bool,
    driver: str,
    device: str | None,
    block_frames: int | None,
    rate: int | None,
    cues: CueScript | None,
    page_port: int | None,
    plain: bool,
) -> int:
    """Follow the computer that plays SHOW, silently, ready to take over.

    The first computer says where the show is: start it with `syncbox run SHOW --spare ADDRESS`
    and the address of this one. Read `syncbox guide spare` before you patch the two together:
    match the levels of both before anybody wears an ear. If this process is killed after it has
    taken over, the show plays on, and the same command again is its screen.
    """
    from rich.console import Console

    from syncbox.cli.journal import journal_of
    from syncbox.cli.leaving import exit_code, leaving
    from syncbox.cli.perform import Performance, can_show_screen, summary
    from syncbox.cli.prepare import compiled, set_of_tonight
    from syncbox.cli.spare_beside import AsSpare, beside_spare
    from syncbox.cli.spare_sign import own_card
    from syncbox.cli.taking_over import OnStage, as_host, carry_on, files_of, stay_of
    from syncbox.cli.view import Stage
    from syncbox.drivers.choose import choose
    from syncbox.drivers.spare_post import PORT, Post, address_of
    from syncbox.schedule.entry import StartAt

    shown_on = None if plain or not can_show_screen(console := Console()) else console
    first = address_of(first_at) if first_at else None
    with leaving() as leave, as_host(show, driver, must=False) as run_file, Page(page_port) as page:
        if carry_on(show, run_file, shown_on, leave, page, once=False):
            return exit_code(leave)
        post = Post(port or PORT)
        page.open()
        song, where = _entry_of_the_first(show, post, first)
        found, index = set_of_tonight(show, song or None)
        choice = choose(driver, device, rate=rate)
        click.echo(choice.why)
        program = compiled(found, choice.rate, StartAt(index, where) if where else None)
        rules: dict[str, Any] = {"patience_s": patience_s, "by_itself": not by_hand}
        sign = own_card(show, found, choice.rate, (song, where), **rules)
        stage = Stage(found, program.songs, sources=program.sources)
        performance = page.attach(Performance(stage, start=False, once=False, leave=leave))
        card = AsSpare(*sign, post.port, first)
        kept = OnStage(found, files_of(show), (song, where), spare=card, page=page.job)
        options = _options(index, block_frames, cues, stay_of(run_file, kept))
        with journal_of(show, found, performance):
            side = beside_spare(performance, card, post, len(found.rig.ports))
            status = performance.live(program, choice, shown_on, options, side)
        click.echo(summary(status, found.rig))
    return exit_code(leave)


def _options(
    index: int, block_frames: int | None, cues: CueScript | None, stay: Stay | None
) -> dict[str, Any]:
    """Of the session."""
    asked = {"block_frames": block_frames, "song_index": index, "script": cues}
    return {**asked, "stay": stay, "spare": True}


def _entry_of_the_first(show: Path, post: Post, first: Address | None) -> tuple[str, str]:
    """Song and place at which the first computer began, to prepare the same; empty: the top.

    Raises UnreadableError for a show that is not there, before anybody has waited.
    """
    from syncbox.drivers.spare_words import Letter
    from syncbox.score.reading.files import find_files

    find_files(show)
    click.echo(f"Listening for the first computer on port {post.port} ...")
    deadline_s = time.monotonic() + _LISTEN_S
    while time.monotonic() < deadline_s:
        if first is not None:
            post.send(Letter(0, "", "", ""), first)
        post.wait(_LISTEN_S / 10)
        for arrived in post.read():
            if isinstance(arrived.said, Letter):
                click.echo(f"Heard {arrived.said.computer} at {arrived.sender[0]}.")
                return arrived.said.song, arrived.said.where
    click.echo("Nothing heard yet: it may still come.")
    return "", ""
