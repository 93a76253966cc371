"""`syncbox spare`: a second computer that goes along silently, and takes over."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.cli.cues import cues_option
from syncbox.cli.driver_option import driver_options
from syncbox.cli.keys import Key

if TYPE_CHECKING:
    from syncbox.cli.perform import Performance
    from syncbox.drivers.session import Session
    from syncbox.drivers.spare import SpareSide
    from syncbox.drivers.spare_post import Address, Post
    from syncbox.drivers.spare_rules import Own
    from syncbox.drivers.spare_words import Letter
    from syncbox.engine.script import CueScript
    from syncbox.engine.state import Now

    Beside = Callable[[Session], AbstractContextManager[None]]

_LISTEN_S = 3.0
_TWICE_S = 3.0  # a key that is dangerous now counts when it is pressed again within this time
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
    plain: bool,
) -> int:
    """Follow the computer that plays SHOW, silently, ready to take over.

    The first computer says where the show is: start it with `syncbox run SHOW --spare ADDRESS`
    and the address of this one. Read `syncbox guide spare` before you patch the two together:
    match the levels of both before anybody wears an ear.
    """
    from rich.console import Console

    from syncbox.cli.journal import journal_of
    from syncbox.cli.leaving import leaving
    from syncbox.cli.perform import Performance, can_show_screen, summary
    from syncbox.cli.prepare import compiled, set_of_tonight
    from syncbox.cli.spare_sign import own_card
    from syncbox.cli.view import Stage
    from syncbox.drivers.choose import choose
    from syncbox.drivers.spare_post import PORT, Post, address_of
    from syncbox.schedule.entry import StartAt

    console = Console()
    on_screen = not plain and can_show_screen(console)
    first = address_of(first_at) if first_at else None
    post = Post(port or PORT)
    with leaving() as leave:
        song, where = _entry_of_the_first(post, first)
        found, index = set_of_tonight(show, song or None)
        choice = choose(driver, device, rate=rate)
        click.echo(choice.why)
        program = compiled(found, choice.rate, StartAt(index, where) if where else None)
        own, letter = own_card(
            show, found, choice.rate, (song, where), patience_s=patience_s, by_itself=not by_hand
        )
        stage = Stage(found, program.songs, sources=program.sources)
        performance = Performance(stage, start=False, once=False, leave=leave)
        options = {
            "block_frames": block_frames,
            "song_index": index,
            "script": cues,
            "spare": True,
        }
        side = _beside(performance, (own, letter), post, first, len(found.rig.ports))
        with journal_of(show, found, performance):
            shown_on = console if on_screen else None
            status = performance.live(program, choice, shown_on, options, side)
        click.echo(summary(status, found.rig))
    return 128 + leave.asked_by if leave.asked_by else 0


def _entry_of_the_first(post: Post, first: Address | None) -> tuple[str, str]:
    """Song and place at which the first computer began, to prepare the same; empty: the top."""
    from syncbox.drivers.spare_words import Letter

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


def _beside(
    performance: Performance,
    card: tuple[Own, Letter],
    post: Post,
    first: Address | None,
    port_count: int,
) -> Beside:
    """What runs beside the session of a spare computer."""
    from syncbox.cli.spare_view import spare_line, spare_view
    from syncbox.drivers.spare import SpareSide
    from syncbox.engine.state import Now

    @contextmanager
    def beside(session: Session) -> Iterator[None]:
        side = SpareSide(
            session.deck_name,
            Now,
            *card,
            post,
            press=session.press,
            port_count=port_count,
            first=first,
        )
        keys = SpareKeys(performance, side)
        performance.take_key = keys.take
        performance.change_view = lambda view: spare_view(view, side.status())
        performance.side_line = lambda: spare_line(side.status())
        with side:
            yield

    return beside


class SpareKeys:
    """What the keys of a spare computer do. One that is dangerous at the moment is asked twice."""

    def __init__(self, performance: Performance, side: SpareSide) -> None:
        self._performance, self._side = performance, side
        self._sure: tuple[Key | None, float] = (None, 0.0)

    def take(self, key: Key, _now: Now) -> bool:
        """Whether the key has done its work here; all others belong to the show."""
        from syncbox.cli.spare_view import REFUSALS

        if key not in (Key.TAKE, Key.GIVE):
            if not self._side.playing and key is not Key.QUIT:
                self._performance.say(f"this computer is silent: {Key.TAKE.value} takes over")
                return True
            return False
        if question := self._question(key):
            self._performance.say(question)
            return True
        press = self._side.take_over if key is Key.TAKE else self._side.give_back
        refusal = press()
        self._performance.say("" if refusal is None else REFUSALS[refusal])
        return True

    def _question(self, key: Key) -> str:
        """What must be said before a key is obeyed; empty if it may be."""
        from syncbox.drivers.spare_rules import Situation

        status, now_s = self._side.status(), time.monotonic()
        sure = self._sure[0] is key and now_s < self._sure[1]
        self._sure = (None, 0.0)
        question = ""
        if key is Key.TAKE and status.situation is Situation.FOLLOWING:
            question = f"the first one plays: press {key.value} again, and both will be heard"
        elif key is Key.GIVE and status.situation is Situation.BOTH_ON:
            question = f"the first one is stopped: press {key.value} again, and nobody plays"
        if sure or not question:
            return ""
        self._sure = (key, now_s + _TWICE_S)
        return question
