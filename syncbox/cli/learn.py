"""`syncbox learn`: press a pedal, and the rig knows what it does."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.cli.page import page_option
from syncbox.errors import ShowError

if TYPE_CHECKING:
    from syncbox.drivers.ear import Ear
    from syncbox.midi.assigning import Wanted
    from syncbox.midi.learning import Learned
    from syncbox.midi.ports import SystemPort
    from syncbox.score.problem import Problem

_LOOK_S = 0.1


@click.command(short_help="Press a pedal, and the rig knows what it does.")
@click.argument("show", type=click.Path(path_type=Path))
@click.argument("command", nargs=-1)
@click.option("--section", metavar="NAME", help="For a jump: the section it goes to.")
@click.option("--mix", metavar="NAME", help="For a command about a mix: which one.")
@click.option("--hold", metavar="TIME", help="Only a press of this length counts: 600ms.")
@click.option("--device", metavar="NAME", help="Listen on the JACK server of this name.")
@click.option(
    "--seconds", type=click.FloatRange(1, 3600), default=30.0, help="How long to wait for a press."
)
@page_option("Choose, press and keep on a web page instead (`syncbox guide page`).")
@click.option("--yes", is_flag=True, help="Keep what was learned without asking.")
def learn(
    *,
    show: Path,
    command: tuple[str, ...],
    section: str | None,
    mix: str | None,
    hold: str | None,
    device: str | None,
    seconds: float,
    page_port: int | None,
    yes: bool,
) -> int:
    """Wait for a pedal, pad or key of SHOW to be pressed; from then on it does COMMAND.

    COMMAND is one of the words that `does` may have in rig.yaml, such as cue or stop at
    bar. The line goes into rig.yaml, where comments and order stay as they are. With --page
    it is chosen on the page, as often as you like.
    """
    from syncbox.drivers.ear import listening
    from syncbox.midi.assigning import with_control
    from syncbox.score.reading.files import save_text

    if page_port is not None:
        from syncbox.cli.learn_page import learn_on_page

        _only_at_the_terminal(command, section, mix, hold)
        return learn_on_page(show, page_port, device, seconds)
    if not command:
        raise click.UsageError("say what the press shall do, such as cue, or choose it with --page")
    wanted = _wanted(" ".join(command), section, mix, hold)
    path, text = rig_file(show)
    with listening(device) as ear:
        click.echo(f"Listening to {', '.join(port.name for port in ear.ports)}.")
        click.echo(f"Press what shall do '{wanted.does}' once, and let go. Ctrl-C leaves.")
        port, learned = _wait(ear, seconds)
    changed, lines = with_control(text, port, learned, wanted, path)
    save_text(path, changed)
    click.echo(f"{path.name} has a new line:")
    for line in lines:
        click.echo(f"  {line}")
    if yes or not _is_terminal() or click.confirm("Keep it?", default=True):
        return 0
    save_text(path, text)
    click.echo(f"{path.name} is as it was.")
    return 0


def _only_at_the_terminal(*given: object) -> None:
    if any(given):
        raise click.UsageError("with --page the command is chosen on the page: leave it out here")


def _is_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _wanted(command: str, section: str | None, mix: str | None, hold: str | None) -> Wanted:
    from syncbox.midi.assigning import Wanted, command_of, hold_of
    from syncbox.score.reading.report import Mistake

    try:
        does = command_of(command)
    except Mistake as mistake:
        raise click.UsageError(f"{mistake.what}: {mistake.hint}") from None
    try:
        return Wanted(does, section or "", mix or "", hold_of(hold or ""))
    except Mistake as mistake:
        raise click.UsageError(f"--hold: {mistake.what}: {mistake.hint}") from None


def rig_file(show: Path) -> tuple[Path, str]:
    """Where the rig of a show is, and its text. Raises ShowError."""
    from syncbox.score.reading.files import find_files, read_text
    from syncbox.score.reading.report import Report

    path = find_files(show).rig
    if path is None:
        raise ShowError(
            "there is no rig.yaml to write into",
            where=str(show),
            hint="write one; `syncbox guide format` shows how",
        )
    problems: list[Problem] = []
    text = read_text(path, Report(str(path), problems))
    if text is None:
        raise ShowError(problems[0].what, where=str(path), hint=problems[0].hint)
    return path, text


def _wait(ear: Ear, seconds: float) -> tuple[SystemPort, Learned]:
    """The first press on any input. Raises DeviceError when none comes."""
    from syncbox.errors import DeviceError
    from syncbox.midi.learning import Learner

    learner = Learner()
    by_name = {port.name: port for port in ear.ports}
    deadline_s = time.monotonic() + seconds
    while time.monotonic() < deadline_s:
        heard = ear.next(_LOOK_S)
        now_s = time.monotonic()
        found = learner.take(heard[0].name, heard[1], now_s) if heard else learner.wait(now_s)
        if found is not None:
            return by_name[found.port], found
    raise DeviceError(
        f"nothing was pressed in {seconds:g} s",
        hint="`syncbox ports` lists the inputs; is the pedal's box switched on?",
    )
