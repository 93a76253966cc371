"""A live show: the host's handle on an engine process, the same for every driver.

Theory of operation. The host makes the shared segments, starts the engine process
and watches it from one slow thread. Commands go in by a ring; the screen reads a
snapshot; sent events come out by a ring. Leaving is one path for every cause: the
engine's input ends (because `close` ends it, or because the host is gone), the
engine stops the music, fades and leaves. An engine that died cannot do that, so
the host then sends Stop and the silencing messages itself, and starts another engine
that takes up the place of the first (`rescue`).
"""

from __future__ import annotations

import atexit
import contextlib
import importlib
import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from syncbox.drivers import system
from syncbox.drivers.child import Child
from syncbox.drivers.choose import Choice, choose
from syncbox.drivers.hostside import HostSide
from syncbox.drivers.readahead import ReadAhead
from syncbox.drivers.rescue import Fall, Rescue, fall_of
from syncbox.drivers.returns import Returns
from syncbox.drivers.status import Status, lengths
from syncbox.engine.cycle import Play
from syncbox.engine.process import Driver, Job
from syncbox.engine.records import Deck, EventReader, Health, Pulse, SentEvent
from syncbox.engine.shared import Segment, share_object
from syncbox.errors import DeviceError, EngineError, RingFullError
from syncbox.units import NS_PER_SECOND

if TYPE_CHECKING:
    from syncbox.schedule.program import Program

_READY_S = 30.0  # loading an evening's audio takes a while
_LEAVE_S = 4.0  # the engine's own limit for fading out is 2 s
_TEND_S = 0.25
_LOOK_S = 0.05  # how soon a dead engine is noticed
_SILENT_NS = 2 * NS_PER_SECOND  # no callback for so long: the audio system hangs

# driver: where its `plug(choice, program, deck)` is, which gives both its sides
_PLUGS = {
    "jack": "syncbox.drivers.jack",
    "portaudio": "syncbox.drivers.portaudio",
    "simulated": "syncbox.drivers.simulated",
}

_TROUBLE = {
    Health.AUDIO_LOST: "The audio system went away.",
    Health.FAILED: "The engine failed and plays silence. Leave and start again.",
}


def _trouble_of(pulse: Pulse) -> str:
    silent = system.now_ns() - pulse.block_ns > _SILENT_NS
    if pulse.health == Health.RUNNING and pulse.blocks and silent:
        return "The audio system has stopped asking for sound."
    return _TROUBLE.get(pulse.health, "")


def _refused(deck: Deck | None, now: Any) -> int:
    """Messages that found a queue full, on their way out or in."""
    if deck is None:
        return 0
    queues = sum(ring.refused for ring in (deck.to_sender, deck.played, deck.heard))
    return queues + int(getattr(now, "heard_lost", 0))


@dataclass(frozen=True, slots=True)
class EngineKind:
    """How the engine process makes an engine, and what its `Now` looks like.

    `maker(program, **options)` is called in the engine process and found by its name.
    """

    maker: Callable[..., Play]
    now_type: type[Any]
    rejoins: bool = False  # whether a new one can take up the place of one that died


def open_session(
    program: Any,
    driver: str | Choice = "auto",
    *,
    device: str | None = None,
    block_frames: int | None = None,
    kind: EngineKind | None = None,
    **options: Any,
) -> Session:
    """Start the engine on a driver and wait until its audio runs.

    `driver` is a name or what `choose` found. `options` go to the engine: song_index,
    level_db, soft_start, script. Raises DeviceError when the driver, its device or
    its rate does not fit, EngineError when the engine process does not come up.
    """
    choice = driver if isinstance(driver, Choice) else choose(driver, device, rate=program.rate)
    if choice.rate != program.rate:
        raise DeviceError(
            f"{choice.device} runs at {choice.rate} Hz, the show is prepared for {program.rate} Hz",
            hint=f"prepare the show for {choice.rate} Hz or change the audio system's rate",
        )
    if block_frames is not None:
        choice = choice.with_block(block_frames)
    session = Session(program, choice, kind or _real_engine(), options)
    if kind is None:
        session.read_ahead(program)
    return session


def _real_engine() -> EngineKind:
    from syncbox.engine.play import play_program
    from syncbox.engine.state import Now

    return EngineKind(play_program, Now, rejoins=True)


class Session:
    """A running engine. Use it as a context manager, or `close` it; both are always safe."""

    def __init__(
        self, program: Any, choice: Choice, kind: EngineKind, options: dict[str, Any]
    ) -> None:
        self.choice = choice
        self._port_count = len(program.rig.ports)
        self._returns = Returns(self._port_count)
        self._lock = threading.Lock()  # of the host's own threads; the engine never sees it
        self._close_lock = threading.Lock()
        self._closing = threading.Event()
        self._closed = False
        self._hushed = False
        self._finished = False
        self._trouble = ""
        self._rescue = Rescue()
        self._resume_job: Job | None = None
        self._starting: Child | None = None  # an engine on its way to take over
        self._facts: dict[str, Any] = {}
        self._unread: list[SentEvent] = []
        self._engine: Child | None = None
        self._side: HostSide | None = None
        self._program: Segment | None = None
        self._deck: Deck | None = None
        self._reader: ReadAhead | None = None
        self._watcher = threading.Thread(target=self._watch, name="session", daemon=True)
        self._picture = self._take_picture()
        try:
            self._start(program, kind, options)
        except BaseException:
            self.close()
            raise
        atexit.register(self.close)

    def _start(self, program: Any, kind: EngineKind, options: dict[str, Any]) -> None:
        self._deck = Deck.create(kind.now_type)
        self._events = EventReader(self._deck.sent)
        self._program = share_object(program)
        plug = importlib.import_module(_PLUGS[self.choice.driver]).plug
        engine_side: Driver
        engine_side, self._side = plug(self.choice, program, self._deck)
        job = Job(
            deck_name=self._deck.name,
            program_name=self._program.name,
            now_type=kind.now_type,
            maker=kind.maker,
            driver=engine_side,
            now_ns=system.now_ns,
            options=options,
        )
        if kind.rejoins:
            again = {**options, "soft_start": False}  # it goes on as loud as the band had it
            self._resume_job = replace(job, resume=True, options=again)
        self._engine = Child("engine", "syncbox.engine.process", job)
        self._facts = self._engine.answer(patience_s=_READY_S)
        assert self._side is not None
        self._side.engine_is_ready(self.client)
        self._side.tend()
        self._watcher.start()

    @property
    def client(self) -> str:
        """What the engine is called in the audio system, empty where it has no name there."""
        return str(self._facts.get("client", ""))

    def press(self, command: int) -> None:
        """Give the engine a command; it counts from the next block on.

        Raises EngineError when the engine is gone, RingFullError when it does not answer.
        """
        there = self._engine is not None and (self._engine.alive or self._rescue.away)
        if self._closed or self._rescue.given_up or not there:
            raise EngineError(self._trouble or "the engine is not running")
        assert self._deck is not None
        with self._lock:
            taken = self._deck.push_command(command)
        if not taken:
            raise RingFullError("the engine does not take commands any more")

    def status(self) -> Status:
        """How things are now; after `close`, how they were last."""
        with self._lock:
            if not self._closed:
                self._picture = self._take_picture()
            return self._picture

    def _take_picture(self) -> Status:
        deck, side, facts = self._deck, self._side, self._facts
        seen = deck.read() if deck else None
        pulse, now = seen or (Pulse(), None)
        self._finished = pulse.health == Health.FINISHED
        return Status(
            driver=self.choice.driver,
            device=str(facts.get("device", self.choice.device)),
            rate=self.choice.rate,
            block_frames=pulse.block_frames or int(facts.get("block_frames", 0)),
            priority=str(facts.get("priority", "")),
            memory=str(facts.get("memory", "")),
            frame=pulse.block_start_frame,
            host_ns=pulse.block_ns,
            audio_frame_zero=pulse.audio_frame_zero,
            now=now,
            blocks=pulse.blocks,
            dropouts=pulse.dropouts,
            lost_frames=pulse.lost_frames,
            xruns=pulse.xruns,
            callback=lengths(deck.lengths if deck else (), pulse.callback_ns_max),
            midi_sent=tuple(deck.sent_counts[: self._port_count]) if deck else (),
            midi_refused=pulse.midi_refused + _refused(deck, now),
            log_refused=deck.sent.refused if deck else 0,
            ports=side.port_states() if side else (),
            engine_alive=self._engine is not None and self._engine.alive,
            rescuing=self._rescue.away and not self._rescue.given_up,
            finished=self._finished,
            trouble=self._trouble or self._rescue.words or _trouble_of(pulse),
            notes=(*facts.get("notes", ()), *(side.notes if side else ())),
        )

    def read_ahead(self, program: Program) -> None:
        """Keep the sounds that come soon in memory, if they are mapped from their files."""
        self._reader = ReadAhead(program, self._where)

    def _where(self) -> tuple[int, Any] | None:
        with self._lock:
            seen = None if self._closed or self._deck is None else self._deck.read()
        return None if seen is None or seen[1] is None else (seen[0].frame, seen[1])

    def sent(self) -> list[SentEvent]:
        """MIDI events that left since the last call, oldest first. Call it at least every 10 s."""
        with self._lock:
            if not self._closed:
                self._unread.extend(self._events.all())
            fresh, self._unread = self._unread, []
            return fresh

    def _watch(self) -> None:
        tended_s = 0.0
        while not self._closing.wait(_LOOK_S):
            assert self._side is not None
            assert self._engine is not None
            fall = self._fall()
            if fall is not None and self._resume_job is not None:
                self._mend(fall, self._resume_job)
            elif not self._engine.alive:
                self._engine_died()
            elif time.monotonic() - tended_s > _TEND_S:
                tended_s = time.monotonic()
                self._side.tend()
                self._bring_up_to_date()

    def _fall(self) -> Fall | None:
        assert self._deck is not None
        assert self._engine is not None
        with self._lock:
            seen = self._deck.read()
        return fall_of(seen[0] if seen else None, alive=self._engine.alive)

    def _mend(self, fall: Fall, job: Job) -> None:
        """Replace an engine that fell. Called again and again until one plays."""
        rescue, side, fallen = self._rescue, self._side, self._engine
        assert side is not None
        assert fallen is not None
        first = not rescue.away
        if first:
            rescue.fell(fall, fallen.last_words())
            fallen.kill()
        if not rescue.given_up and rescue.due:
            self._starting = Child("engine", "syncbox.engine.process", job)
        if first:  # while the new one gets ready
            side.hush()
            self._hushed = rescue.given_up
        if self._starting is None:
            return
        try:
            facts = self._starting.answer(patience_s=_READY_S)
        except (DeviceError, EngineError) as error:
            rescue.could_not_start(error.what)
            self._starting.kill()
            self._starting.close()
            self._starting = None
            return
        with self._lock:
            self._engine, self._starting, self._facts = self._starting, None, facts
            rescue.is_back()
        fallen.close()
        self._returns.engine_was_away()
        side.engine_is_back(self.client)

    def _bring_up_to_date(self) -> None:
        assert self._side is not None
        states = self._side.port_states()[: self._port_count]  # its inputs come after them
        for command in self._returns.commands(states, self._frame_at):
            with contextlib.suppress(EngineError, RingFullError):  # it died, or hangs
                self.press(command)

    def _frame_at(self, host_ns: int) -> int:
        """The engine's frame at a host time, two blocks late: a connection counts from then on."""
        status = self.status()
        since = (host_ns - status.host_ns) * status.rate // NS_PER_SECOND
        return status.frame + since + 2 * status.block_frames

    def _engine_died(self) -> None:
        if self._hushed:
            return
        self._hushed = True
        assert self._side is not None
        assert self._engine is not None
        last_words = self._engine.last_words()
        reason = f": {last_words}" if last_words else ""
        self._trouble = (
            f"The engine process died{reason}. Stop and note offs were sent to every port."
        )
        self._side.hush()

    def close(self) -> None:
        """Stop the music, fade, silence every port and let go of everything. Safe to repeat."""
        with _no_interruption(), self._close_lock:
            if self._closed:
                return
            self._closing.set()
            if self._reader is not None:
                self._reader.close()
            if (starting := self._starting) is not None:
                starting.kill()
            if self._watcher.is_alive() and self._watcher is not threading.current_thread():
                self._watcher.join(_LEAVE_S)
            orderly = self._engine is not None and self._leave(self._engine)
            if self._side is not None:
                if not orderly and self._facts and not self._hushed:
                    self._side.hush()
                self._side.close()
            self._let_go()
            atexit.unregister(self.close)

    def _leave(self, engine: Child) -> bool:
        """End the engine process. Whether it has stopped the music before it left."""
        left = engine.leave(patience_s=_LEAVE_S)
        return left and self.status().finished

    def _let_go(self) -> None:
        with self._lock:
            self._picture = self._take_picture()
            if self._deck is not None:
                self._unread.extend(self._events.all())
                self._deck.close()
            self._closed = True
        if self._program is not None:
            self._program.close()
        if self._engine is not None:
            self._engine.close()

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@contextlib.contextmanager
def _no_interruption() -> Iterator[None]:
    """Ctrl-C does nothing in here: a second one must not cut off the tidying of the first."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.getsignal(signal.SIGINT)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
