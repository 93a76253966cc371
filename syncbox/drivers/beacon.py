"""The first computer's beacon: tells the spare where the show is, and hears how the spare is.

A process of its own, which only reads the engine's boards. So it goes on when the host is
killed: as long as the engine plays, the spare hears of it. Another host starts another beacon
with the same card, which relieves this one (`relief`): to the spare it is the same computer,
from another port. It never silences anything.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import pickle
import signal
import sys
import threading
import time
from dataclasses import dataclass
from typing import Any

from syncbox.drivers import system
from syncbox.drivers.child import Child
from syncbox.drivers.relief import Relief
from syncbox.drivers.spare_post import Address, Post, Teller
from syncbox.drivers.spare_rules import (
    Heard,
    Other,
    Own,
    first_hears,
    heard_of_spare,
)
from syncbox.drivers.spare_words import NEVER, Letter, Question, Word
from syncbox.engine.leaving import HostWatch
from syncbox.engine.process import answer
from syncbox.engine.records import Deck, Health
from syncbox.engine.words import Word as DeckWord
from syncbox.errors import DeviceError, EngineError, SyncboxError
from syncbox.units import NS_PER_SECOND

_LOOK_S = 0.01
_REPORT_NS = NS_PER_SECOND // 5
_FORSAKEN_NS = 5 * NS_PER_SECOND  # without a host and a block for so long: nobody plays any more
_READY_S = 10.0
_AGAIN_S = 2.0
# So long the one before is waited for. The spare takes over when it hears nothing for at least
# a second, and if both speak for a moment it heeds the one whose words have higher numbers.
_GIVE_WAY_S = 0.3


@dataclass(frozen=True, slots=True)
class BeaconJob:
    """What a beacon needs."""

    deck_name: str
    now_type: type[Any]
    own: Own
    letter: Letter
    spare: Address
    port: int = 0


@dataclass(frozen=True, slots=True)
class SpareHeard:
    """What a first computer knows of its spare, for its screen. Times are milliseconds."""

    heard: Heard
    ago_ms: int = 0
    within_us: int = 0
    lost_permille: int = 0
    by_itself: bool = False
    sounds_differ: bool = False
    trouble: str = ""


class Beacon:
    """One turn after the other, with everything it needs given from outside."""

    def __init__(self, deck: Deck, job: BeaconJob, post: Post) -> None:
        self._own, self._spare_at, self._post = job.own, job.spare, post
        self._teller = Teller(deck, job.own, job.letter, post)
        self._spare: Other | None = None

    def turn(self, now_ns: int) -> None:
        """Look, listen, speak."""
        self._teller.look()
        for arrived in self._post.read():
            if isinstance(arrived.said, Question):
                self._teller.reply(arrived)
            elif isinstance(arrived.said, Word):
                self._spare = first_hears(self._spare, arrived.said, arrived.at_ns, self._own)
        self._teller.speak(now_ns, (self._spare_at,), self._about(now_ns))

    def _about(self, now_ns: int) -> Word:
        spare = self._spare
        hears_ns = NEVER if spare is None else max(0, now_ns - spare.heard_ns)
        lost = 0 if spare is None else spare.lost_permille
        return Word(playing=1, hears_ns=hears_ns, lost_permille=lost)

    def report(self, now_ns: int) -> SpareHeard:
        """What is known of the spare."""
        spare = self._spare
        heard = heard_of_spare(spare, now_ns, self._own)
        if spare is None:
            return SpareHeard(heard)
        word = spare.word
        return SpareHeard(
            heard,
            ago_ms=(now_ns - spare.heard_ns) // 1_000_000,
            within_us=word.within_ns // 1000,
            lost_permille=word.lost_permille,
            by_itself=bool(word.by_itself),
            sounds_differ=word.sounds != self._own.sounds,
        )

    def engine_is_over(self, now_ns: int) -> bool:
        """Whether no engine has played for long."""
        pulse = self._teller.pulse
        if pulse is None or pulse.health == Health.FINISHED:
            return True
        return now_ns - pulse.block_ns > _FORSAKEN_NS

    @property
    def left_in_order(self) -> bool:
        """Whether the engine was told to leave, and has faded out."""
        pulse = self._teller.pulse
        return pulse is not None and pulse.health == Health.FINISHED

    def say_goodbye(self) -> None:
        """The show is left in good order."""
        self._teller.say_goodbye((self._spare_at,), self._about(system.now_ns()))


def serve(job: BeaconJob) -> None:
    """Speak and listen until the host says leave, nobody plays any more, or it is relieved."""
    deck = Deck.attach(job.deck_name, job.now_type)
    post = Post(job.port)
    relief = Relief(deck.words, DeckWord.BEACON)
    beacon, host = Beacon(deck, job, post), HostWatch()
    relief.claim()
    deadline_s = time.monotonic() + _GIVE_WAY_S
    while not relief.free and time.monotonic() < deadline_s:
        time.sleep(_LOOK_S / 5)
    answer({"ready": True, "port": post.port})
    _speak(beacon, host, post, relief)
    relief.end()


def _speak(beacon: Beacon, host: HostWatch, post: Post, relief: Relief) -> None:
    report_due_ns = 0
    while True:
        post.wait(_LOOK_S)
        if relief.over:
            return  # without a goodbye: the spare hears the next one
        now_ns = system.now_ns()
        beacon.turn(now_ns)
        if host.told:
            beacon.say_goodbye()
            return
        if host.gone and beacon.engine_is_over(now_ns):
            if beacon.left_in_order:  # another host came, and left
                beacon.say_goodbye()
            return
        if not host.gone and now_ns >= report_due_ns:
            report_due_ns = now_ns + _REPORT_NS
            facts = dataclasses.asdict(beacon.report(now_ns))
            answer({**facts, "heard": facts["heard"].name})


def main() -> None:
    """Entry of the process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)  # it ends with the show, not before
    try:
        serve(pickle.load(sys.stdin.buffer))
    except SyncboxError as error:
        answer({"what": error.what, "where": error.where, "hint": error.hint})
    os._exit(0)  # shared memory is still in use here; see the engine process


class BeaconHost:
    """The host's hand on the beacon. Start it when the engine runs; close it before the session."""

    def __init__(self, job: BeaconJob, *, must: bool = True) -> None:
        """Raises DeviceError or EngineError if there is no beacon and there `must` be one.

        Else the show plays already: it is tried again and again, and the screen says so.
        """
        self._job = job
        self._closing = threading.Event()
        self.heard = SpareHeard(Heard.NO_SPARE)
        self._child: Child | None = None
        try:
            self._child = self._start()
        except (DeviceError, EngineError):
            if must:
                raise
        self._thread = threading.Thread(target=self._listen, name="beacon", daemon=True)
        self._thread.start()

    def _start(self) -> Child:
        child = Child("beacon", __name__, self._job)
        try:
            child.answer(patience_s=_READY_S)
        except BaseException:
            child.kill()
            child.close()
            raise
        return child

    def _listen(self) -> None:
        """Take in what it reports; start another one if it dies."""
        while not self._closing.is_set():
            since_s = time.monotonic()
            if self._child is not None:
                for facts in self._child.further_answers():
                    heard = Heard[facts.pop("heard")]
                    self.heard = SpareHeard(heard=heard, **facts)
            if self._closing.is_set():
                return
            trouble = "the beacon died: the spare hears nothing of this computer"
            self.heard = dataclasses.replace(self.heard, trouble=trouble)
            if time.monotonic() - since_s < _AGAIN_S:  # else at once, or the spare takes over
                self._closing.wait(_AGAIN_S)
            self._mend()

    def _mend(self) -> None:
        if self._child is not None:
            self._child.kill()
            self._child.close()
            self._child = None
        with contextlib.suppress(DeviceError, EngineError):
            self._child = self._start()

    def close(self) -> None:
        """Say goodbye to the spare and leave."""
        self._closing.set()
        if (child := self._child) is not None:
            child.leave(patience_s=2.0)
        self._thread.join(_READY_S)
        if (child := self._child) is not None:
            child.leave(patience_s=2.0)  # one that was just being started
            child.close()

    def __enter__(self) -> BeaconHost:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
