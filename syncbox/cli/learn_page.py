"""`syncbox learn SHOW --page`: the page on which pedals are learned, until Ctrl-C."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from syncbox.drivers.ear import Ear
    from syncbox.stage.host import PageHost
    from syncbox.stage.lesson import Lesson

_TURN_S = 0.05


def learn_on_page(show: Path, port: int, device: str | None, seconds: float) -> int:
    """Serve the page until somebody wants to leave; gives the exit code."""
    from syncbox.cli.learn import rig_file
    from syncbox.cli.leaving import exit_code, leaving
    from syncbox.cli.page import Page
    from syncbox.drivers.ear import listening
    from syncbox.score.reading.files import save_text
    from syncbox.stage.lesson import Lesson

    lesson = Lesson(
        lambda: rig_file(show),
        save_text,
        show=show.resolve().name,
        seconds=seconds,
        sections=_sections(show),
    )
    with leaving() as leave, listening(device) as ear, Page(port) as page:
        host = page.open(learn=True)
        assert host is not None
        click.echo(f"Listening to {', '.join(port.name for port in ear.ports)}.")
        click.echo("Learn on the page. Ctrl-C leaves; what was kept stays.")
        leave.calm = True
        while not leave.asked_by:
            _turn(lesson, ear, host)
    return exit_code(leave)


def _sections(show: Path) -> tuple[str, ...]:
    """The names of all sections, in the order in which they are first met."""
    from syncbox.score.reading import read_draft

    draft = read_draft(show, problems=[])
    names = (each.name for song in draft.show.songs.values() for each in song.sections)
    return tuple(dict.fromkeys(names))


def _turn(lesson: Lesson, ear: Ear, host: PageHost) -> None:
    heard = ear.next(_TURN_S)
    now_s = time.monotonic()
    if heard is not None:
        lesson.hear(*heard, now_s)
    for one in host.presses():
        refusal = lesson.obey(one.press, now_s)
        host.answer(one, done=not refusal, words=refusal)
    lesson.tick(ear.ports, now_s)
    host.show(lesson.card(ear.ports))
