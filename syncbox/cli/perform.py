"""The loops around a session: the stage screen with keys, or plain lines for a script.

Both do the same each turn: look at the session, start and leave as the command line
asked, show it. Neither plays anything: the engine does, in its own process.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, ExitStack
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import click

from syncbox.cli.keys import Key, Keyboard, has_keyboard
from syncbox.cli.leaving import Leaving
from syncbox.cli.painter import Painter
from syncbox.cli.screen import Health, View, screen
from syncbox.cli.view import STILL, Stage, tempo_text
from syncbox.engine.transport import Command, State, packed
from syncbox.errors import EngineError, RingFullError
from syncbox.score.layout import LegKind

if TYPE_CHECKING:
    from rich.console import Console

    from syncbox.drivers.choose import Choice
    from syncbox.drivers.forsaken import Found
    from syncbox.drivers.session import Session
    from syncbox.drivers.set_clock import SetClock
    from syncbox.drivers.status import Status
    from syncbox.engine.state import Now
    from syncbox.schedule.program import Program
    from syncbox.score.rig import Rig

TURN_S = 1 / 30  # a beat's mark comes at most this late; the sound does not wait for it
NOTICE_S = 3.0
QUIT_AGAIN_S = 3.0
DROPOUT_ALARM_S = 10.0  # the count stays; the alarm does not
COUNT_IN = LegKind.COUNT_IN.value
COMMAND_OF_KEY = {
    Key.ENTER: Command.STOP_AT_BAR,
    Key.BACKSPACE: Command.STOP,
    Key.ESCAPE: Command.PANIC,
    Key.LEFT: Command.PREVIOUS_SONG,
    Key.RIGHT: Command.NEXT_SONG,
    Key.UP: Command.LOUDER,
    Key.DOWN: Command.SOFTER,
}


class Mark(NamedTuple):
    """A place that the person marked: in the music, and the engine's frame at the press."""

    now: Now
    frame: int


class ShownBeside(Protocol):
    """Another place that shows what the screen shows."""

    def turn(self, view: View, status: Status) -> None:
        """How things are now. Must not wait."""

    def line(self) -> Health:
        """What the screen says of it."""


class Performance:
    """A session with what the person and the script want of it."""

    def __init__(self, stage: Stage, *, start: bool, once: bool, leave: Leaving) -> None:
        """`start` begins at once; `once` plays the set through without waiting, and leaves."""
        self.stage = stage
        self._once = once
        self._leave = leave
        self._notice, self._notice_until = "", 0.0
        self._quit_until = 0.0
        self._dropouts, self._dropout_until = 0, 0.0
        self._refused = 0
        self._start_due, self._start_pressed = start, False
        self._left = False
        self._set_clock: SetClock | None = None
        self._set_began_s: float | None = None
        self.watch: Callable[[Status], None] | None = None  # sees every status
        # Sees every press made here, with its argument
        self.pressed: Callable[[Command, int], None] | None = None
        self.page: ShownBeside | None = None
        self.refusal: Callable[[], str] = str  # why nothing may be pressed now, empty if it may
        self.take_key: Callable[[Key, Now], bool] | None = (
            None  # sees a key first; whether it was its
        )
        self.change_view: Callable[[View], View] | None = None  # has the last word on the screen
        self.side_line: Callable[[], str] | None = None  # a line for a script, whenever it changes
        self.takes_notes = False  # whether anybody asks for the words afterwards
        self.marks: list[Mark] = []  # where the person pressed the note key

    def live(
        self,
        program: Program,
        choice: Choice,
        console: Console | None,
        options: Mapping[str, Any],
        beside: Callable[[Session], AbstractContextManager[None]] | None = None,
    ) -> Status:
        """Play until the end, on the console's screen or in lines; gives the last status.

        `options` are those of `open_session`; `beside` runs as long as the session.
        """
        from syncbox.drivers.session import open_session

        return self._play(open_session(program, choice, **options), console, beside)

    def carry_on(
        self,
        found: Found,
        console: Console | None,
        beside: Callable[[Session], AbstractContextManager[None]] | None = None,
    ) -> Status:
        """The same with an engine that plays on without a host."""
        from syncbox.drivers.session import adopt_session

        return self._play(adopt_session(found), console, beside)

    def _play(
        self,
        opened: Session,
        console: Console | None,
        beside: Callable[[Session], AbstractContextManager[None]] | None,
    ) -> Status:
        with opened as session, ExitStack() as stack:
            if beside is not None:
                stack.enter_context(beside(session))
            self._session = session
            self._leave.calm = True
            if console is None:
                self._in_lines()
            else:
                self._on_screen(console)
        return session.status()

    def against(self, set_clock: SetClock, began_s_ago: float | None = None) -> None:
        """Show how the night stands against its slot, which it may have entered some time ago."""
        self._set_clock = set_clock
        if began_s_ago is not None:
            self._set_began_s = time.monotonic() - began_s_ago

    # --- what both loops do ------------------------------------------------------------------

    def _turns(self) -> Iterator[Status]:
        """A look at the session every so often, until it is over or somebody wants to leave."""
        while not (self._leave.asked_by or self._left):
            status = self._session.status()
            if not (status.engine_alive or status.rescuing):
                raise EngineError(
                    status.trouble or "the engine has stopped",
                    hint="start again with --from and the section where the band is",
                )
            if status.now is not None:
                self._follow(status)
                if self.watch is not None:
                    self.watch(status)
                if self.page is not None:
                    self.page.turn(self._view(status, own_notice=False), status)
                yield status
            if status.finished:
                return
            time.sleep(TURN_S)

    def _follow(self, status: Status) -> None:
        """Start, cue and leave as the command line asked."""
        now: Now = status.now
        if now.transport not in STILL:
            self._start_due, self._start_pressed = False, False
            if self._set_began_s is None:
                self._set_began_s = time.monotonic()
        elif self._once and now.sets_over:
            self._left = True
        elif not self._start_pressed and (
            self._start_due
            or (
                self._once
                and now.transport == State.WAITING
                and not self.stage.starts_by_itself(now)
            )
        ):
            self._start_pressed = True  # once is enough: it counts from the next block on
            self.press(Command.START)
        if now.refused_count > self._refused:
            self._refused = now.refused_count
            self.say("that key means nothing now")

    def press(self, command: Command, argument: int = 0) -> str:
        """Give the engine a command; gives why it was not taken, else nothing.

        Raises EngineError when the engine is gone.
        """
        if self.pressed is not None:
            self.pressed(command, argument)
        try:
            self._session.press(packed(command, argument))
        except RingFullError as error:  # the music goes on; the person may press again
            self.say(str(error))
            return str(error)
        return ""

    def say(self, notice: str) -> None:
        """Show a notice for a moment."""
        self._notice, self._notice_until = notice, time.monotonic() + NOTICE_S

    # --- the stage screen --------------------------------------------------------------------

    def _on_screen(self, console: Console) -> None:
        """Show the screen and obey the keys until the end."""
        with Keyboard() as keyboard, Painter(console) as painter:
            for status in self._turns():
                for key in keyboard.read():
                    self._obey(key, status.now)
                painter.show(screen(self._view(status), *painter.size()))

    def _view(self, status: Status, *, own_notice: bool = True) -> View:
        """`own_notice`: also what is said for a moment to the person at the keys."""
        now_s = time.monotonic()
        if status.dropouts > self._dropouts:
            self._dropouts, self._dropout_until = status.dropouts, now_s + DROPOUT_ALARM_S
        notice = self._notice if own_notice and now_s < self._notice_until else ""
        view = self.stage.view(status, notice, dropout_now=now_s < self._dropout_until)
        if self.change_view is not None:
            view = self.change_view(view)
        if self.page is not None:
            view = replace(view, page=self.page.line())
        if self._set_clock is None:
            return view
        gone_s = 0.0 if self._set_began_s is None else now_s - self._set_began_s
        spot = self._set_clock.spot(status.now, status.frame, status.rate)
        set_time, over = self._set_clock.read(spot, gone_s)
        return replace(view, set_time=set_time, set_over=over)

    def _obey(self, key: Key, now: Now) -> None:
        if self.take_key is not None and self.take_key(key, now):
            return
        if key is Key.SPACE:
            self.press(Command.START if now.transport in STILL else Command.CUE)
        elif key is Key.QUIT:
            self._quit(now)
        elif key is Key.NOTE and self.takes_notes:
            self.marks.append(Mark(now, self._session.status().frame))
            self.say("noted: you are asked for words afterwards")
        elif key in COMMAND_OF_KEY:
            self.press(COMMAND_OF_KEY[key])

    def _quit(self, now: Now) -> None:
        """Leaving takes two presses while something plays: one may be a slip of the hand."""
        if now.transport in STILL or time.monotonic() < self._quit_until:
            self._left = True
        else:
            self._quit_until = time.monotonic() + QUIT_AGAIN_S
            self.say("press Q again to leave")

    # --- plain lines -------------------------------------------------------------------------

    def _in_lines(self) -> None:
        """Write a line whenever a count-in or a section begins, until the end."""
        lines, told = Lines(self.stage), ""
        for status in self._turns():
            lines.follow(status.now, status.frame / status.rate)
            if self.side_line is not None and (line := self.side_line()) != told:
                told = line
                click.echo(line)


class Lines:
    """What a script sees: a line whenever a count-in or a section begins."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self._shown: tuple[int, str, int] | None = None

    def follow(self, now: Now, seconds: float) -> None:
        """Write a line if something new has begun; `seconds` is the time beside it."""
        counting = now.transport == State.COUNTING_IN
        if now.transport in STILL or (counting and not self.stage.counts_in(now)):
            return
        leg = self.stage.leg(now)
        here = (now.song_index, COUNT_IN if counting else leg.section, leg.pass_no)
        if here == self._shown:
            return
        self._shown = here
        song, part, meter = self.stage.names(now)
        tempo = tempo_text(round(leg.tempo_map.tempo_at(0) * 1000))
        where = COUNT_IN if counting else part
        click.echo("   ".join((f"{minutes(seconds):>8}", song, where, f"{meter}, {tempo}")))


def minutes(seconds: float) -> str:
    """1:02.5 for 62.5 seconds."""
    whole, tenths = divmod(round(seconds * 10), 10)
    return f"{whole // 60}:{whole % 60:02d}.{tenths}"


def summary(status: Status, rig: Rig) -> str:
    """What happened, in a few lines, for after the show."""
    sent = ", ".join(
        f"{port.name} {count}" for port, count in zip(rig.ports, status.midi_sent, strict=False)
    )
    missing = ", ".join(port.name for port in status.ports if port.missing)
    lines = [
        f"{minutes(status.frame / status.rate)} on {status.driver} ({status.device}, "
        f"{status.rate} Hz, {status.block_frames} frames); {status.priority or 'normal priority'}",
        f"dropouts: {status.dropouts}   late events: {status.now.late_count if status.now else 0}",
        f"MIDI messages sent: {sent or 'none'}",
    ]
    if missing:
        lines.append(f"MIDI ports that were not found: {missing}")
    if status.midi_refused:
        lines.append(f"MIDI messages lost in a full queue: {status.midi_refused}")
    return "\n".join([*lines, *status.notes])


def can_show_screen(console: Console) -> bool:
    """Whether there is a terminal for the screen and a keyboard for its keys."""
    return console.is_terminal and has_keyboard() and "utf" in console.encoding.lower()
