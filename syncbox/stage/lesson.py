"""The learn page: choose what the next press shall do, press it, keep it or not.

No clock, no device and no file of its own: times and messages are given, the rig's text is read
and saved by what it was made with. The rig is written once, when somebody says keep, and it is
read anew for that, so that an editor that is open beside it loses nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from syncbox.errors import SyncboxError
from syncbox.midi.assigning import Wanted, command_of, hold_of, rig_of, with_control
from syncbox.midi.learning import Learned, Learner
from syncbox.midi.ports import SystemPort
from syncbox.score.controls import Control
from syncbox.score.reading.control_tables import COMMANDS, JUMPS, OF_A_MIX, sign_text
from syncbox.score.reading.report import Mistake
from syncbox.score.rig import Rig
from syncbox.stage.card import LEARN_STEPS, ControlRow, LearnCard
from syncbox.stage.presses import KEEP, LEARN, LET_BE, Press

CHOOSE, LISTEN, KEEP_OR_NOT = LEARN_STEPS

Read = Callable[[], tuple[Path, str]]
Save = Callable[[Path, str], None]


class Lesson:
    """One rig and the presses that it learns, one after the other."""

    def __init__(
        self, read: Read, save: Save, *, show: str, seconds: float, sections: Sequence[str]
    ) -> None:
        """`read` gives the rig's path and text, `save` replaces the text; both may raise.

        `seconds` is how long a press is waited for; `sections` are those of all songs.
        """
        self._read, self._save = read, save
        self._show, self._seconds, self._sections = show, seconds, tuple(sections)
        self._step = CHOOSE
        self._wanted: Wanted | None = None
        self._learner = Learner()
        self._until_s = self._now_s = 0.0
        self._found: tuple[SystemPort, Learned] | None = None
        self._lines: tuple[str, ...] = ()
        self._said, self._trouble = "", False
        self._rig: Rig | None = None
        self.look()

    def look(self) -> None:
        """Read the rig again: somebody may have it open in an editor."""
        try:
            path, text = self._read()
            self._rig = rig_of(text, path)
        except SyncboxError as error:
            self._say(str(error), trouble=True)

    def obey(self, press: Press, now_s: float) -> str:
        """A press on the page; gives why it means nothing now, empty if it does."""
        if press.what == LEARN:
            return self._begin(press, now_s)
        if press.what == LET_BE:
            self._step, self._found, self._lines = CHOOSE, None, ()
            self._say("nothing was changed")
            return ""
        if press.what == KEEP and self._step == KEEP_OR_NOT:
            return self._keep()
        return "that means nothing now"

    def _begin(self, press: Press, now_s: float) -> str:
        try:
            does = command_of(press.word("does"))
            hold_ms = hold_of(press.word("hold"))
        except Mistake as mistake:
            return f"{mistake.what}: {mistake.hint}"
        section = press.word("section") if does in JUMPS else ""
        mix = press.word("mix") if does in OF_A_MIX else ""
        if does in JUMPS and not section:
            return "a jump needs to know where: choose its section"
        if does in OF_A_MIX and not mix:
            return "choose which mix it is about"
        self._wanted = Wanted(does, section, mix, hold_ms)
        self._learner, self._found, self._lines = Learner(), None, ()
        self._step, self._until_s = LISTEN, now_s + self._seconds
        self._say("")
        return ""

    def hear(self, port: SystemPort, message: bytes, now_s: float) -> None:
        """A whole message came in."""
        if self._step == LISTEN:
            self._learned(self._learner.take(port.name, message, now_s), (port,))

    def tick(self, ports: Sequence[SystemPort], now_s: float) -> None:
        """Time has passed."""
        self._now_s = now_s
        if self._step != LISTEN:
            return
        self._learned(self._learner.wait(now_s), ports)
        if self._step == LISTEN and now_s >= self._until_s:
            self._step = CHOOSE
            self._say(
                f"nothing was pressed in {self._seconds:g} s: is the pedal's box switched on?",
                trouble=True,
            )

    def _learned(self, learned: Learned | None, ports: Sequence[SystemPort]) -> None:
        if learned is None:
            return
        port = next(port for port in ports if port.name == learned.port)
        assert self._wanted is not None
        try:
            path, text = self._read()
            _, lines = with_control(text, port, learned, self._wanted, path)
        except SyncboxError as error:
            self._step = CHOOSE
            self._say(f"{_pressed(port, learned)}. {error}", trouble=True)
            return
        self._step, self._found, self._lines = KEEP_OR_NOT, (port, learned), tuple(lines)

    def _keep(self) -> str:
        assert self._found is not None
        assert self._wanted is not None
        try:
            path, text = self._read()
            changed, lines = with_control(text, *self._found, self._wanted, path)
            self._save(path, changed)
        except SyncboxError as error:
            return str(error)
        plural = "a new line" if len(lines) == 1 else f"{len(lines)} new lines"
        self._step, self._found, self._lines = CHOOSE, None, ()
        self._say(f"{path.name} has {plural}: {sentence(self._wanted)}")
        self.look()
        return ""

    def _say(self, words: str, *, trouble: bool = False) -> None:
        self._said, self._trouble = words, trouble

    def card(self, ports: Sequence[SystemPort]) -> LearnCard:
        """What the page shows now."""
        rig = self._rig
        left_s = max(0, round(self._until_s - self._now_s)) if self._step == LISTEN else 0
        return LearnCard(
            show=self._show,
            step=self._step,
            controls=tuple(_row(control) for control in rig.controls) if rig else (),
            inputs=tuple(port.name for port in ports),
            commands=COMMANDS,
            jumps=JUMPS,
            of_a_mix=OF_A_MIX,
            sections=self._sections,
            mixes=tuple(mix.name for mix in rig.mixes) if rig else (),
            wanted=sentence(self._wanted) if self._wanted and self._step != CHOOSE else "",
            left_s=left_s,
            heard=_pressed(*self._found) if self._found else "",
            lines=self._lines,
            said=self._said,
            trouble=self._trouble,
        )


def sentence(wanted: Wanted) -> str:
    """What a control shall do, in a few words."""
    words = [wanted.does, wanted.section or wanted.mix]
    words += [f"held for {float(wanted.hold_ms):g} ms"] if wanted.hold_ms else []
    return ", ".join(filter(None, words))


def _pressed(port: SystemPort, learned: Learned) -> str:
    words = [f"{sign_text(learned.sign)} from {port.name}"]
    words += ["it works the other way round"] if learned.reversed else []
    words += ["it stays down until the next press"] if learned.latching else []
    return ", ".join(words)


def _row(control: Control) -> ControlRow:
    return ControlRow(
        control.does,
        control.section or control.mix,
        sign_text(control.sign),
        control.port,
        float(control.hold_ms),
    )
