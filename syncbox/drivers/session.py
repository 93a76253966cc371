"""A live show: the host's handle on an engine process, the same for every driver.

Theory of operation. The host makes the shared segments, starts the engine process
and watches it from one slow thread. Commands go in by a ring; the screen reads a
snapshot; sent events come out by a ring. Leaving is one path for every cause: `close`
tells the engine to leave, which stops the music, fades and leaves. An engine that died
cannot do that, so the host then sends Stop and the silencing messages itself, and starts
another engine that takes up the place of the first (`rescue`). A host that is killed tells
nobody anything: the engine of a session that stays plays on, and another host takes it
over (`forsaken`).
"""

from __future__ import annotations

import atexit
import contextlib
import importlib
import threading
import time
from dataclasses import replace
from typing import Any

from syncbox.drivers import system
from syncbox.drivers.belongings import Belongings
from syncbox.drivers.child import Child
from syncbox.drivers.choose import Choice, choose
from syncbox.drivers.forsaken import Adopted, Engine, Found, Papers, Stay
from syncbox.drivers.hostside import HostSide
from syncbox.drivers.kinds import EngineKind, real_engine
from syncbox.drivers.readahead import ReadAhead
from syncbox.drivers.rescue import Fall, Rescue, fall_of
from syncbox.drivers.returns import Returns
from syncbox.drivers.status import Status, lengths, refused, trouble_of
from syncbox.drivers.uninterrupted import no_interruption
from syncbox.engine.process import Driver, Job
from syncbox.engine.records import Deck, EventReader, Health, Pulse, SentEvent, read_text
from syncbox.engine.words import Word
from syncbox.errors import DeviceError, EngineError, RingFullError
from syncbox.units import NS_PER_SECOND

_READY_S = 30.0  # loading an evening's audio takes a while
_LEAVE_S = 4.0  # the engine's own limit for fading out is 2 s
_TEND_S = 0.25
_LOOK_S = 0.05  # how soon a dead engine is noticed
_WORD_MAX = 2**63 - 1

# driver: where its `plug(choice, program, deck)` is, which gives both its sides
_PLUGS = {
    "jack": "syncbox.drivers.jack",
    "portaudio": "syncbox.drivers.portaudio",
    "simulated": "syncbox.drivers.simulated",
}


def open_session(
    program: Any,
    driver: str | Choice = "auto",
    *,
    device: str | None = None,
    block_frames: int | None = None,
    kind: EngineKind | None = None,
    stay: Stay | None = None,
    **options: Any,
) -> Session:
    """Start the engine on a driver and wait until its audio runs.

    `driver` is a name or what `choose` found. `stay` lets it play on when this process is
    killed. `options` go to the engine: song_index, level_db, soft_start, script. Raises
    DeviceError when the driver, its device or its rate does not fit, EngineError when the
    engine process does not come up.
    """
    choice = driver if isinstance(driver, Choice) else choose(driver, device, rate=program.rate)
    if choice.rate != program.rate:
        raise DeviceError(
            f"{choice.device} runs at {choice.rate} Hz, the show is prepared for {program.rate} Hz",
            hint=f"prepare the show for {choice.rate} Hz or change the audio system's rate",
        )
    if block_frames is not None:
        choice = choice.with_block(block_frames)
    papers = Papers(choice, kind or real_engine(), options, program)
    return Session(papers, stay)


def adopt_session(found: Found) -> Session:
    """Take over an engine that plays without a host. Whatever goes wrong, it plays on."""
    return Session(found.papers, None, found)


class Session:
    """A running engine. Use it as a context manager, or `close` it; both are always safe."""

    def __init__(self, papers: Papers, stay: Stay | None, found: Found | None = None) -> None:
        """Start an engine, or take over the one that was found."""
        self.choice = papers.choice
        self._port_count = len(papers.program.rig.ports)
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
        self._engine: Engine | None = None
        self._side: HostSide | None = None
        self._belongings: Belongings | None = None
        self._deck: Deck | None = None
        self._reader: ReadAhead | None = None
        self._watcher = threading.Thread(target=self._watch, name="session", daemon=True)
        self._picture = self._take_picture()
        try:
            if found is None:
                self._start(papers, stay)
            else:
                self._take_over(found)
        except BaseException:
            if found is None:
                self.close()
            else:
                self._let_be()
            raise
        if papers.kind.maps_sounds:
            self._reader = ReadAhead(papers.program, self._where)
        atexit.register(self.close)

    def _start(self, papers: Papers, stay: Stay | None) -> None:
        self._belongings = Belongings.make(papers.program, papers, stay)
        job = self._prepare(papers, self._belongings)
        engine = self._engine = Child("engine", "syncbox.engine.process", job)
        self._facts = engine.answer(patience_s=_READY_S)
        assert self._side is not None
        self._side.engine_is_ready(self.client)
        self._side.tend()
        self._watcher.start()

    def _prepare(self, papers: Papers, belongings: Belongings) -> Job:
        """Everything but the engine."""
        deck, kind = belongings.deck, papers.kind
        self._deck, self._events = deck, EventReader(deck.sent)
        plug = importlib.import_module(_PLUGS[self.choice.driver]).plug
        engine_side: Driver
        engine_side, self._side = plug(self.choice, papers.program, deck)
        job = Job(
            deck_name=deck.name,
            program_name=belongings.program.name,
            now_type=kind.now_type,
            maker=kind.maker,
            driver=engine_side,
            now_ns=system.now_ns,
            options=papers.options,
            staying=belongings.staying,
        )
        if kind.rejoins:
            again = {**papers.options, "soft_start": False}  # as loud as the band had it
            self._resume_job = replace(job, resume=True, options=again)
        return job

    def _take_over(self, found: Found) -> None:
        self._belongings = Belongings.take_over(found)
        self._prepare(found.papers, self._belongings)
        assert self._deck is not None
        assert self._side is not None
        self._facts = read_text(self._deck.engine_facts) or {}
        self._engine = Adopted(self._deck)
        self._side.engine_is_adopted(self.client)
        states = self._side.port_states()[: self._port_count]
        self._returns.take_over(states, self._deck.words[Word.OWED])
        self._side.tend()
        self._watcher.start()

    def _let_be(self) -> None:
        """We could not take the engine over: it plays on, and the next one may try."""
        self._closed = True
        if self._side is not None:
            self._side.close()
        if self._belongings is not None:
            self._belongings.let_be()
        if self._engine is not None:
            self._engine.close()

    @property
    def client(self) -> str:
        """What the engine is called in the audio system, empty where it has no name there."""
        return str(self._facts.get("client", ""))

    @property
    def deck_name(self) -> str:
        """The segment that the engine and this host share, for others who read it."""
        assert self._deck is not None
        return self._deck.name

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
            midi_refused=pulse.midi_refused + refused(deck, now),
            log_refused=deck.sent.refused if deck else 0,
            ports=side.port_states() if side else (),
            engine_alive=self._engine is not None and self._engine.alive,
            rescuing=self._rescue.away and not self._rescue.given_up,
            finished=self._finished,
            trouble=self._trouble or self._rescue.words or trouble_of(pulse),
            notes=(*facts.get("notes", ()), *(side.notes if side else ())),
        )

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
            self._hush(side)
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
        self._note_what_is_owed()
        side.engine_is_back(self.client)

    def _bring_up_to_date(self) -> None:
        assert self._side is not None
        states = self._side.port_states()[: self._port_count]  # its inputs come after them
        for command in self._returns.commands(states, self._frame_at):
            with contextlib.suppress(EngineError, RingFullError):  # it died, or hangs
                self.press(command)
        self._note_what_is_owed()

    def _note_what_is_owed(self) -> None:
        if self._deck is not None:
            self._deck.words[Word.OWED] = self._returns.owed & _WORD_MAX

    def _frame_at(self, host_ns: int) -> int:
        """The engine's frame at a host time, two blocks late: a connection counts from then on."""
        status = self.status()
        since = (host_ns - status.host_ns) * status.rate // NS_PER_SECOND
        return status.frame + since + 2 * status.block_frames

    def _hush(self, side: HostSide) -> None:
        """Silence every port; not those on which another computer plays, and we only follow."""
        assert self._deck is not None
        with self._lock:
            seen = self._deck.read()
        if seen is None or not seen[0].silent:
            side.hush()

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
        self._hush(self._side)

    def close(self) -> None:
        """Stop the music, fade, silence every port and let go of everything. Safe to repeat."""
        with no_interruption(), self._close_lock:
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
                    self._hush(self._side)
                self._side.close()
            self._let_go()
            atexit.unregister(self.close)

    def _leave(self, engine: Engine) -> bool:
        """End the engine process. Whether it has stopped the music before it left."""
        left = engine.leave(patience_s=_LEAVE_S)
        return left and self.status().finished

    def _let_go(self) -> None:
        with self._lock:
            self._picture = self._take_picture()
            if self._deck is not None:
                self._unread.extend(self._events.all())
            if self._belongings is not None:
                self._belongings.close()
            self._closed = True
        if self._engine is not None:
            self._engine.close()

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
