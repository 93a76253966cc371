"""`--page`: the stage page for the band's phones, beside the screen of a show."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Self

import click

from syncbox.engine.transport import NEXT_STATE, Command, State
from syncbox.stage.addresses import PORT

if TYPE_CHECKING:
    from syncbox.cli.perform import Performance
    from syncbox.cli.screen import Health, View
    from syncbox.drivers.status import Status
    from syncbox.engine.state import Now
    from syncbox.stage.card import StageCard
    from syncbox.stage.host import FromPhone, PageHost, PageJob

_ADDRESSES_SAID = 4
# What the screen says about its own keys, for people who have none.
_FOR_PHONES = {"Space starts": "waits for start", "Space goes on": "waits for the cue"}
_TEMPOS = (Command.TEMPO_UP, Command.TEMPO_DOWN, Command.TEMPO_TRIM)


class _PagePort(click.ParamType[int]):
    name = "port"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        try:
            port = int(value)
        except ValueError:
            port = -1
        if not 0 <= port <= 65_535:
            self.fail(f"{value!r} is not a port: write --page last, or --page {PORT}", param, ctx)
        return port


def page_option(what: str) -> Callable[[Any], Any]:
    """The option; `what` is its help."""
    return click.option(
        "--page", "page_port", type=_PagePort(), is_flag=False, flag_value=str(PORT),
        metavar="[PORT]", help=what,
    )  # fmt: skip


class Page:
    """The page of one command, if one is wanted. A context manager; it ends with the command."""

    def __init__(self, port: int | None) -> None:
        """`port` is None where no page was asked for."""
        self._port = port
        self._host: PageHost | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._host is not None:
            self._host.close()

    def open(
        self, job: PageJob | None = None, *, must: bool = True, learn: bool = False
    ) -> PageHost | None:
        """Serve it, and say where. `job` is that of the host before, whose phones come again.

        Raises DeviceError, EngineError or UnreadableError if it cannot be, and `must` be.
        """
        if self._port is None and job is None:
            return None
        from syncbox.errors import UnreadableError
        from syncbox.stage.host import LEARN, STAGE, PageHost, PageJob, need_libraries

        if job is None or (self._port is not None and self._port != job.port):
            job = PageJob.fresh(LEARN if learn else STAGE, self._port or 0)
        try:
            need_libraries()
        except UnreadableError as error:
            if must:
                raise
            click.echo(str(error), err=True)
            return None
        self._host = PageHost(job, must=must)
        _say_where(self._host)
        return self._host

    def means_nothing(self, why: str) -> None:
        """Say so, if a page was asked for all the same."""
        if self._port is not None:
            click.echo(f"--page: left out, because {why}.", err=True)

    @property
    def job(self) -> PageJob | None:
        """For the host that comes next."""
        return None if self._host is None else self._host.job

    def attach(self, performance: Performance) -> Performance:
        """Show this performance, and let phones press."""
        if self._host is not None:
            performance.page = StagePage(self._host, performance)
        return performance


def _say_where(host: PageHost) -> None:
    """The address and the code, and the address for a phone's camera."""
    from syncbox.stage.door import spoken

    if host.trouble:
        click.echo(host.trouble, err=True)
        return
    click.echo(f"The page: {'   '.join(host.web_addresses[:_ADDRESSES_SAID])}")
    readers = "Everyone on this network can read it."
    if not host.addresses:
        readers = "This computer is on no network: only its own browser finds the page."
    click.echo(f"{readers} To press, the code is {spoken(host.job.code)}.")
    if host.addresses and sys.stdout.isatty():
        import segno

        segno.make(host.address, error="m", micro=False).terminal(compact=True, border=2)


class StagePage:
    """What a host does for its page each turn: take presses, show the newest card."""

    def __init__(self, host: PageHost, performance: Performance) -> None:
        self._host, self._performance = host, performance

    def line(self) -> Health:
        """For the screen: where the page is, the code, and how many look."""
        from syncbox.cli.screen import Health
        from syncbox.stage.door import spoken

        host = self._host
        if host.trouble:
            return Health("page", host.trouble, well=False)
        looks = f"   {host.phones} looking" if host.phones else ""
        return Health("page", f"{host.address}   code {spoken(host.job.code)}{looks}")

    def turn(self, view: View, status: Status) -> None:
        """Obey what was pressed, and show how things are."""
        for one in self._host.presses():
            refusal = self._obey(one, view, status.now)
            self._host.answer(one, done=not refusal, words=refusal)
        self._host.show(card_of(view, status.now, self._means(status.now)))

    def _means(self, now: Now) -> tuple[str, ...]:
        """The presses that mean something now."""
        from syncbox.stage.presses import COMMAND_OF_PRESS

        if self._performance.refusal():
            return ()
        return tuple(
            press for press, command in COMMAND_OF_PRESS.items() if not _refused(command, now)
        )

    def _obey(self, one: FromPhone, view: View, now: Now) -> str:
        """Carry out a press; gives why not, empty if it was."""
        from syncbox.score.reading.report import Mistake
        from syncbox.stage.presses import COMMAND_OF_PRESS, trim_permille

        command = COMMAND_OF_PRESS.get(one.press.what)
        if command is None:
            return "that is for the page of `syncbox learn`"
        if refusal := self._performance.refusal() or _refused(command, now):
            return refusal
        argument = 0
        if command is Command.TEMPO_TRIM:
            try:
                argument = trim_permille(one.press.word("tempo"), view.map_mqpm)
            except Mistake as mistake:
                return f"{mistake.what}: {mistake.hint}"
        return self._performance.press(command, argument)


def _refused(command: Command, now: Now) -> str:
    """Why a command means nothing now; empty if it does."""
    if command in _TEMPOS and now.leader_lock >= 0:
        return "another box leads: the tempo is set there"
    if (State(now.transport), command) in NEXT_STATE:
        return ""
    if command is Command.CUE:
        return "nothing waits for a cue now"
    return "nothing plays now"


def card_of(view: View, now: Now, means: tuple[str, ...]) -> StageCard:
    """The view of the screen as a card for the page."""
    from syncbox.stage.card import StageCard

    by_hand = (words for words in view.by_hand.split("   ") if not words.startswith("tempo "))
    things = (view.audio, *view.ports)
    return StageCard(
        song=view.song,
        song_no=view.song_no,
        song_count=view.song_count,
        state=for_phones(view.state),
        waits=view.waits,
        section=view.section,
        bar=view.bar,
        bars=view.bars,
        beat=view.beat,
        beats=view.beats,
        to_go_bars=view.bars_to_go,
        map_mqpm=view.map_mqpm,
        trim_permille=now.trim_permille,
        trim_wait_bars=now.trim_bars,
        sounds_permille=now.sounding_permille,
        stop_wait_bars=now.stop_bars,
        cue_given=bool(now.cue_pending),
        cue_late=bool(now.cue_late),
        click_off=bool(now.click_muted),
        detail=view.detail,
        meter=view.meter,
        key=view.key,
        set_time=view.set_time,
        set_over=view.set_over,
        text_cue=view.text_cue,
        by_hand="   ".join(by_hand),
        next_label=view.next_label,
        next_section=view.next_section,
        next_patches=view.next_patches,
        alarms=tuple(f"{thing.name}: {thing.words}" for thing in things if not thing.well),
        notice=view.notice,
        means=means,
    )


def for_phones(state: str) -> str:
    """What the transport does, without the names of keys that phones do not have."""
    for keys, words in _FOR_PHONES.items():
        state = state.replace(keys, words)
    return state
