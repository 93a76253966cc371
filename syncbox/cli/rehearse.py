"""`syncbox rehearse`: part of a song over and over."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from syncbox.cli.driver_option import driver_options
from syncbox.cli.recording import Recording
from syncbox.cli.takes import place_of_note
from syncbox.engine.script import CueScript
from syncbox.errors import DeviceError, UnreadableError
from syncbox.rehearsal.takes import Note, Take
from syncbox.score.layout import LegKind

if TYPE_CHECKING:
    from syncbox.cli.leaving import Leaving
    from syncbox.cli.perform import Mark
    from syncbox.cli.screen import View
    from syncbox.cli.view import Stage
    from syncbox.drivers.status import Status
    from syncbox.engine.state import Now
    from syncbox.score.layout import Leg
    from syncbox.score.rounds import Practice

_BROKEN_OFF = "the recording has broken off: the music goes on"
SPEED_MIN, SPEED_MAX = Fraction(1, 5), Fraction(2)


def _percent(ctx: click.Context, param: click.Parameter, value: str) -> Fraction:
    """85% or 85, as a fraction of one."""
    found = re.fullmatch(r"\s*([-+]?\d{1,3}(?:\.\d{1,3})?)\s*%?\s*", value)
    if not found:
        raise click.BadParameter(f"{value!r} is not a percentage: write 85%", ctx, param)
    return Fraction(found.group(1)) / 100


def _on_off(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[int, int]:
    """2-on-2-off, as the two numbers of bars; nothing: the click always plays."""
    if value is None:
        return 0, 0
    found = re.fullmatch(r"\s*([1-9]\d?)-on-([1-9]\d?)-off\s*", value)
    if not found:
        raise click.BadParameter(f"{value!r}: write for example 2-on-2-off, in bars", ctx, param)
    return int(found.group(1)), int(found.group(2))


@click.command(short_help="Part of a song over and over.")
@click.argument("show", type=click.Path(path_type=Path))
@click.option("--song", required=True, metavar="SONG", help="The song (its file's name).")
@click.option("--section", default="", metavar="X", help="The section to begin with.")
@click.option("--to", "last", default="", metavar="Y", help="The section to end with.")
@click.option(
    "--times", type=click.IntRange(1, 200), default=1, show_default=True, help="How often."
)
@click.option(
    "--speed", default="100%", show_default=True, callback=_percent, help="Of the written tempo."
)
@click.option("--raise", "raise_by", default="0%", callback=_percent, help="Added every time: 2%.")
@click.option(
    "--click", "pattern", callback=_on_off, help="Silent bars between: 2-on-2-off tests the band."
)
@click.option(
    "--record",
    "inputs",
    multiple=True,
    metavar="INPUT",
    help="Record this: a JACK port, or the number of the device's input. Once for each channel.",
)
@click.option(
    "--talk",
    default="",
    metavar="INPUT",
    help="A microphone: what is said into it after N is kept with the note.",
)
@driver_options()
@click.option("--start", is_flag=True, help="Begin at once, without a key.")
@click.option("--once", is_flag=True, help="Leave at the end.")
@click.option("--plain", is_flag=True, help="Lines instead of the screen, also on a terminal.")
def rehearse(
    *,
    show: Path,
    song: str,
    section: str,
    last: str,
    times: int,
    speed: Fraction,
    raise_by: Fraction,
    pattern: tuple[int, int],
    inputs: tuple[str, ...],
    talk: str,
    driver: str,
    device: str | None,
    start: bool,
    once: bool,
    plain: bool,
) -> int:
    """Play sections of a song of SHOW over and over, each time with a count-in.

    Tempo map, clock and patches keep their proportions at any speed. With N you mark a
    place while you play, and are asked for words afterwards, or speak them at once into
    the microphone of --talk. What was played goes into the log of takes, with the
    recording if you ask for one.
    """
    from syncbox.score.rounds import Practice

    fastest = speed + raise_by * (times - 1)
    if not (SPEED_MIN <= speed <= SPEED_MAX and SPEED_MIN <= fastest <= SPEED_MAX):
        raise click.UsageError("the speed must stay between 20% and 200%")
    practice = Practice(section, last, times, speed, raise_by, *pattern)
    session = _Rehearsal(show, song, practice, inputs, talk)
    return session.run(driver, device, plain=plain, start=start, once=once)


class _Rehearsal:
    """One call of `rehearse`: the session, the recording beside it and the log."""

    def __init__(
        self, folder: Path, song: str, practice: Practice, inputs: tuple[str, ...], talk: str
    ) -> None:
        from syncbox.cli.prepare import only_song, tonights_show, with_song
        from syncbox.score.night import tonight
        from syncbox.score.rounds import practice_steps

        self._folder = folder
        self._show = only_song(*with_song(tonights_show(folder, song), song))
        entry = self._show.set_list.entries[0]
        self._song = tonight(self._show.songs[entry.song_id], entry)
        self._practice = practice
        self._legs = tuple(step.leg for step in practice_steps(self._song, practice))
        self._recording = Recording(inputs, talk, folder, self._song.id)
        self._round = 1  # that plays
        self._broken_off = False
        self._opens = _first_legs(self._legs, practice.times)
        self._begun: dict[int, int] = {}  # frame of the first beat of each round, from round 1
        self._when = datetime.now()
        self._log_trouble = ""
        self._say: Callable[[str], None] = partial(click.echo, err=True)
        self._stage: Stage | None = None
        self._marks: list[Mark] = []

    def run(self, driver: str, device: str | None, *, plain: bool, start: bool, once: bool) -> int:
        """Play, and write down what was played, however it ended."""
        from syncbox.cli.leaving import leaving

        well = False
        try:
            with leaving() as leave:
                self._play(driver, device, leave, plain=plain, start=start, once=once)
            well = True
        finally:
            self._log(self._notes(ask=well))
        return 128 + leave.asked_by if leave.asked_by else 0

    def _play(
        self,
        driver: str,
        device: str | None,
        leave: Leaving,
        *,
        plain: bool,
        start: bool,
        once: bool,
    ) -> None:
        from rich.console import Console

        from syncbox.cli.perform import Performance, can_show_screen, summary
        from syncbox.cli.prepare import compiled_practice
        from syncbox.cli.view import Stage
        from syncbox.score.layout import Route

        console = Console()
        on_screen = not plain and can_show_screen(console)
        if not (on_screen or start):
            raise DeviceError(
                "there is no terminal here, so nobody can press start",
                hint="add --start to begin at once",
            )
        with self._recording.on(driver, device) as choice:
            click.echo(choice.why)
            program = compiled_practice(self._show, self._practice, choice.rate)
            self._stage = Stage(self._show, program.songs, Route(self._song, self._legs))
            performance = Performance(self._stage, start=start, once=once, leave=leave)
            performance.takes_notes = True
            self._marks = performance.marks
            performance.watch = self._watch
            performance.change_view = self._with_round
            if on_screen:
                self._say = performance.say
            # With a screen the person cues.
            options = {"script": None if on_screen else CueScript()}
            screen = console if on_screen else None
            beside = self._recording.beside
            status = performance.live(program, choice, screen, options, beside)
        click.echo(summary(status, self._show.rig))

    def _with_round(self, view: View) -> View:
        """The screen with which time it is, how fast, and the key for a note."""
        from syncbox.cli.keys import Key
        from syncbox.cli.screen import KeyHint

        practice, number = self._practice, self._round
        speed = practice.speed + practice.raise_by * (number - 1)
        place = f"round {number} of {practice.times}, {100 * float(speed):g} %"
        keys = (*view.keys[:-1], KeyHint(Key.NOTE.value, "note"), view.keys[-1])
        notice = view.notice or (_BROKEN_OFF if self._broken_off else "")
        return replace(view, place=place, keys=keys, notice=notice)

    def _watch(self, status: Status) -> None:
        """See when each round's first beat was; it stays to be seen until the next beat."""
        now = status.now
        self._round = now.leg_index * self._practice.times // len(self._legs) + 1
        if self._recording.broken_off and not self._broken_off:
            self._broken_off = True
            self._say(_BROKEN_OFF)
        if not (now.section_index >= 0 and (now.bar, now.beat) == (1, 1)):
            return
        round_no = self._opens.get(now.leg_index)
        if round_no is not None and round_no not in self._begun:
            self._begun[round_no] = now.beat_frame
            self._recording.follow(status)
            self._log_so_far()

    def _log_so_far(self) -> None:
        """Write down what has been played: nobody knows whether there will be more.

        Music goes before a log that cannot be written; it is said once, and again at the end.
        """
        try:
            self._write_log(self._notes(ask=False, cut=False))
        except UnreadableError as error:
            if not self._log_trouble:
                self._log_trouble = str(error)
                self._say(self._log_trouble)

    def _notes(self, *, ask: bool, cut: bool = True) -> tuple[Note, ...]:
        """The notes of the marks: what was said after each, and, if we `ask`, words typed now.

        `cut`: the microphone's recording is whole, and can be cut up.
        """
        stage, notes = self._stage, []
        said = self._said() if cut else [""] * len(self._marks)
        for (now, _), sound in zip(self._marks, said, strict=True):
            assert stage is not None
            words = ""
            try:
                words = _ask(stage, now, sound) if ask else ""
            except click.Abort:  # enough of it; what was played is logged all the same
                ask = False
            leg = stage.leg(now)
            notes.append(Note(leg.section, now.pass_no, now.bar, now.beat, words, sound))
        return tuple(notes)

    def _said(self) -> list[str]:
        """The file of what was said after each mark; empty where there is none."""
        from syncbox.rehearsal.spoken import cut_notes

        talked = self._recording.talk
        if talked is None or not self._marks:
            return [""] * len(self._marks)
        try:
            places = [self._recording.place(mark.frame, talked) for mark in self._marks]
            return cut_notes(Path(talked.path), places)
        except UnreadableError as error:
            click.echo(str(error), err=True)
            return [""] * len(self._marks)

    def _log(self, notes: tuple[Note, ...]) -> None:
        """Write the take down, if anything of it was played."""
        if not self._begun:
            return
        try:
            click.echo(f"logged in {self._write_log(notes)}")
        except UnreadableError:
            for note in notes:  # here they are at least seen
                click.echo(f"{place_of_note(note.section, note.bar, note.beat)}: {note.text}")
            raise

    def _write_log(self, notes: tuple[Note, ...]) -> Path:
        from syncbox.rehearsal.takes import Round, add_take

        done, practice = self._recording.take, self._practice
        rounds = []
        for number, frame in sorted(self._begun.items()):
            place = None
            if done is not None:
                place = self._recording.place(frame, done)
            speed = practice.speed + practice.raise_by * (number - 1)
            rounds.append(Round(number, str(speed), place))
        take = Take(
            song=self._song.id,
            when=self._when.isoformat(timespec="seconds"),
            first_section=practice.first_section,
            last_section=practice.last_section or practice.first_section,
            rounds=tuple(rounds),
            recording=Path(done.path).name if done else "",
            rate=done.rate if done else 0,
            lost_frames=done.lost_frames if done else 0,
            notes=notes,
            id=f"{self._when.isoformat()} {os.getpid()}",
        )
        return add_take(self._folder, take)


def _first_legs(legs: Sequence[Leg], times: int) -> dict[int, int]:
    """The round (from 1) that each leg with a round's first bar of music opens, by its index."""
    opens: dict[int, int] = {}
    of_round = len(legs) // times
    for number in range(times):
        for leg in legs[number * of_round : (number + 1) * of_round]:
            if leg.kind is LegKind.SECTION:
                opens[leg.index] = number + 1
                break
    return opens


def _ask(stage: Stage, now: Now, sound: str) -> str:
    """Ask for the words of a note that was marked while playing; `sound` is what was said."""
    spoken = f" (spoken: {sound}; Enter leaves it at that)" if sound else ""
    words = click.prompt(
        f"{place_of_note(stage.leg(now).section, now.bar, now.beat)}{spoken}",
        default="",
        show_default=False,
    )
    return str(words).strip()
