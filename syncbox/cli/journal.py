"""What of a show goes into its journal, and where to go on after the power was away."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from syncbox.cli.view import STILL, Stage
from syncbox.drivers.journal import Journal, journal_path, read_journal
from syncbox.errors import ShowError
from syncbox.score.layout import LegKind

if TYPE_CHECKING:
    from syncbox.cli.perform import Performance
    from syncbox.drivers.status import Status
    from syncbox.engine.transport import Command
    from syncbox.score.rig import Show

OPENED, CLOSED, BAR, TRANSPORT = "opened", "closed", "bar", "transport"
TAKEN_OVER = "taken over"  # instead of opened: the show has played on without its host
FRESH_S = 12 * 3600  # a show that broke off longer ago is not tonight's


class Chronicle:
    """Looks at every status and notes what is new."""

    def __init__(
        self,
        journal: Journal,
        stage: Stage,
        show: Show,
        say: Callable[[str], None] = click.echo,
        opening: str = OPENED,
    ) -> None:
        """`say` tells the person what is wrong with the journal itself."""
        self._journal = journal
        self._say = say
        self._said = ""
        self._stage = stage
        self._ids = [entry.song_id for entry in show.set_list.entries]
        self._last: dict[str, Any] = {}
        journal.note(opening, songs=self._ids)

    def __call__(self, status: Status) -> None:
        """Note what has changed since the last look."""
        now = status.now
        self._changed(TRANSPORT, now.transport, {"state": int(now.transport)})
        if now.transport not in STILL and now.bar:
            key = (now.song_index, now.leg_index, now.round_no, now.bar)
            self._changed(BAR, key, lambda: self._bar(status))
        dropouts = status.dropouts
        self._changed("dropouts", dropouts, {"count": dropouts, "frames": status.lost_frames})
        missing = tuple(port.name for port in status.ports if port.missing)
        self._changed("missing ports", missing, {"names": list(missing)})
        self._changed("trouble", status.trouble, {"words": status.trouble})
        if self._journal.trouble != self._said:
            self._said = self._journal.trouble
            self._say(self._said or "the journal is written again")

    def pressed(self, command: Command, argument: int = 0) -> None:
        """A person pressed something at the terminal."""
        self._journal.note("press", command=command.name, argument=argument)

    def close(self) -> None:
        """The show is left in good order."""
        self._journal.note(CLOSED)
        self._journal.close()

    def _changed(self, what: str, value: object, facts: Any) -> None:
        if self._last.get(what, value if what not in (BAR, TRANSPORT) else None) != value:
            self._journal.note(what, **(facts() if callable(facts) else facts))
        self._last[what] = value

    def _bar(self, status: Status) -> dict[str, Any]:
        now, leg = status.now, self._stage.leg(status.now)
        number = next((bar.number for bar in leg.bars if bar.section_bar == now.bar), 0)
        counted = leg.kind is LegKind.SECTION
        return {
            "song": self._ids[now.song_index],
            "index": now.song_index,
            "section": leg.section,
            "bar": number if counted else 0,
            "round": now.round_no,
            "frame": now.beat_frame,
        }


@contextmanager
def journal_of(
    folder: Path, show: Show, performance: Performance, opening: str = OPENED
) -> Iterator[None]:
    """Keep the journal of a show folder while a performance runs."""
    journal = Journal(journal_path(folder))
    chronicle = Chronicle(journal, performance.stage, show, performance.say, opening)
    performance.watch, performance.pressed = chronicle, chronicle.pressed
    yield
    chronicle.close()
    if journal.lost:
        click.echo(f"{journal.lost} journal entries were lost: {journal.trouble}", err=True)


def began_s_ago(folder: Path, now_s: float | None = None) -> float | None:
    """How long ago the first song of the show that was opened last was started."""
    began = None
    for entry in read_journal(journal_path(folder))[0]:
        if entry.get("what") == OPENED:
            began = None
        elif entry.get("what") == TRANSPORT and entry["state"] not in STILL and began is None:
            began = entry["at"]
    return None if began is None else max(0.0, (time.time() if now_s is None else now_s) - began)


def beginning(
    folder: Path, song: str | None, where: str | None, *, resume: bool
) -> tuple[str | None, str | None]:
    """Song and place to begin with; says what is offered, or taken up."""
    if not resume:
        if hint := hint_of_a_broken_show(folder):
            click.echo(hint, err=True)
        return song, where
    if song or where:
        raise click.UsageError("--resume knows the place: leave out --song and --from")
    place = place_to_resume(folder)
    click.echo(f"Going on in {place.words}.")
    return place.song, str(place.bar) if place.bar > 0 else None


@dataclass(frozen=True, slots=True)
class LastPlace:
    """Where the last show stood. `bar` counts as the timeline does; 0 is the song's top."""

    song: str
    section: str
    bar: int
    broke_off: bool  # while something played, without a word
    ago_s: float

    @property
    def words(self) -> str:
        """For a person."""
        ago = f"{self.ago_s / 60:.0f} min ago" if self.ago_s > 90 else f"{self.ago_s:.0f} s ago"
        bar = f", bar {self.bar} ({self.section})" if self.bar else ", at its top"
        return f"{self.song}{bar}, {ago}"


def last_place(folder: Path, now_s: float | None = None) -> LastPlace | None:
    """Where the last show of a folder came to, None if nothing has been played."""
    entries, _ = read_journal(journal_path(folder))
    bars = [index for index, entry in enumerate(entries) if entry.get("what") == BAR]
    if not bars:
        return None
    bar, after = entries[bars[-1]], entries[bars[-1] + 1 :]
    stopped = any(
        entry["what"] == CLOSED or (entry["what"] == TRANSPORT and entry["state"] in STILL)
        for entry in after
    )
    ago_s = (time.time() if now_s is None else now_s) - entries[-1]["at"]
    return LastPlace(bar["song"], bar["section"], bar["bar"], not stopped, max(0.0, ago_s))


def place_to_resume(folder: Path) -> LastPlace:
    """The same for `run --resume`. Raises ShowError where there is nothing to go on from."""
    place = last_place(folder)
    if place is None:
        raise ShowError(
            f"{folder} has no journal of a show that could be resumed",
            hint="leave out --resume, or use --song and --from",
        )
    return place


def hint_of_a_broken_show(folder: Path) -> str:
    """One line if the last show broke off not long ago, else empty."""
    place = last_place(folder)
    if place is None or not place.broke_off or place.ago_s > FRESH_S:
        return ""
    return f"The last show broke off in {place.words}; --resume goes on there."
