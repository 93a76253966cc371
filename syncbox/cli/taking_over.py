"""`syncbox run` where the show plays on without a screen, because that was killed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.errors import BusyError

if TYPE_CHECKING:
    from rich.console import Console

    from syncbox.cli.leaving import Leaving
    from syncbox.cli.page import Page
    from syncbox.cli.perform import Performance
    from syncbox.cli.spare_beside import AsSpare
    from syncbox.cli.spare_first import Beside, Told
    from syncbox.drivers.forsaken import Found, Stay
    from syncbox.drivers.runfile import RunFile
    from syncbox.score.rig import Show
    from syncbox.stage.host import PageJob

_OFFLINE = "offline"
_SIMULATED = "simulated"  # nobody hears it, so it may play beside another one
_ENDS_TOO = "If this window is killed the music stops with it"


@dataclass(frozen=True, slots=True)
class OnStage:
    """What the command line needs to know of a show that plays: as it was read, and its files."""

    show: Show
    files: str  # see `files_of`
    entry: tuple[str, str] = ("", "")  # the song and the place where it began; empty: the top
    told: Told | None = None  # what its spare computer is told
    spare: AsSpare | None = None  # this is the spare computer
    page: PageJob | None = None  # the page that phones have open


def files_of(folder: Path) -> str:
    """Stands for what is written in the show's files; another text, another word."""
    sum_ = hashlib.sha256()
    for path in sorted(folder.glob("*.y*ml")):
        sum_.update(path.name.encode() + b"\0")
        try:
            sum_.update(path.read_bytes())
        except OSError:
            sum_.update(b"?")
    return sum_.hexdigest()


@contextmanager
def as_host(folder: Path, driver: str, *, must: bool = True) -> Iterator[RunFile | None]:
    """Be the one host of a show folder. None: nobody will find the show if this window is killed.

    Raises BusyError while another host plays it and this one `must` not play beside it.
    """
    from syncbox.drivers.runfile import RunFile

    if driver == _OFFLINE:
        yield None
        return
    run_file = None
    try:
        run_file = RunFile.claim(folder)
    except BusyError as error:
        if must and driver != _SIMULATED:
            raise
        which = "the simulated driver" if must else "the spare"
        click.echo(f"{error.what}; {which} plays beside it", err=True)
    except OSError as error:
        click.echo(f"{_ENDS_TOO}: {error.strerror or error}", err=True)
    try:
        yield run_file
    finally:
        if run_file is not None:
            run_file.close()


def _what_plays_on(run_file: RunFile | None) -> Found | None:
    """The show that plays on without a screen, if one does."""
    from syncbox.drivers.forsaken import find

    found = None if run_file is None else find(run_file)
    return found if found is not None and isinstance(found.papers.show, OnStage) else None


def stay_of(run_file: RunFile | None, on_stage: OnStage) -> Stay | None:
    """How a show that begins here plays on if this process is killed."""
    from syncbox.drivers.forsaken import Stay

    return None if run_file is None else Stay(run_file, on_stage)


def carry_on(
    folder: Path,
    run_file: RunFile | None,
    console: Console | None,
    leave: Leaving,
    page: Page,
    *,
    once: bool,
    late: str = "",
    spare_at: str | None = None,
) -> bool:
    """Be the screen of a show that plays on without one, to its end. False: none does.

    `late` names options that were given and count only for a beginning; `spare_at` is the
    address of the spare, if it shall be another one; `page` is the one asked for.
    """
    found = _what_plays_on(run_file)
    if found is None:
        return False
    from syncbox.cli.journal import TAKEN_OVER, began_s_ago, journal_of
    from syncbox.cli.perform import Performance, summary
    from syncbox.cli.view import Stage
    from syncbox.drivers.forsaken import amend
    from syncbox.drivers.set_clock import SetClock

    papers, on_stage = found.papers, found.papers.show
    assert isinstance(on_stage, OnStage)
    show, program = on_stage.show, papers.program
    click.echo(f"This show plays on without a screen ({papers.choice.device}): it gets this one.")
    if late:
        click.echo(f"{late}: left out, because it counts only where a show begins.", err=True)
    notice = "back: the show has played on"
    changed = files_of(folder) != on_stage.files
    if changed:
        notice = "the files were changed: they count at the next start"
        click.echo(
            "The show's files were changed since it began. What is shown is what plays: "
            "leave and start again to play the new ones.",
            err=True,
        )
    told = _told(on_stage, folder, spare_at, program.rate, changed=changed)
    page.open(on_stage.page, must=False)
    kept = replace(on_stage, told=told, page=page.job)
    if kept != on_stage:
        amend(found.segments, kept)  # for a host that comes after us
    stage = Stage(show, program.songs, sources=program.sources)
    performance = Performance(stage, start=False, once=once, leave=leave)
    performance.against(SetClock(show, program.songs), began_s_ago(folder))
    performance.say(notice)
    page.attach(performance)
    other = _other_computer(found, told, performance)
    with journal_of(folder, show, performance, TAKEN_OVER), other as beside:
        status = performance.carry_on(found, console, beside)
    click.echo(summary(status, show.rig))
    return True


@contextmanager
def _other_computer(
    found: Found, told: Told | None, performance: Performance
) -> Iterator[Beside | None]:
    """What runs beside the session, if there is another computer."""
    from syncbox.cli.spare_beside import beside_spare
    from syncbox.cli.spare_first import telling_spare
    from syncbox.drivers.spare_voice import relieve

    on_stage = found.papers.show
    assert isinstance(on_stage, OnStage)
    card = on_stage.spare
    if card is not None:
        post = relieve(found.segments.deck, card.port)
        yield beside_spare(performance, card, post, len(on_stage.show.rig.ports))
        return
    with telling_spare(told, performance, must=False) as beside:
        yield beside


def _told(
    on_stage: OnStage, folder: Path, spare_at: str | None, rate: int, *, changed: bool
) -> Told | None:
    """What the spare is told from now on: the same as before, if there was one."""
    from syncbox.cli.spare_first import at_another_address, card_for_spare

    if on_stage.spare is not None:
        if spare_at is not None:
            click.echo("--spare: left out, because this computer is the spare.", err=True)
        return None
    if on_stage.told is not None:
        return at_another_address(on_stage.told, spare_at)
    if spare_at is not None and changed:
        click.echo(
            "--spare: left out, because the spare cannot have the files that play any more: "
            "leave and start again with it in a break.",
            err=True,
        )
        return None
    return card_for_spare(spare_at, (folder, on_stage.show), on_stage.entry, rate)
