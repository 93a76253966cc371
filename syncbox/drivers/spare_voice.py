"""A spare computer's voice while it has no screen: says that it sounds, to whoever hears.

The host of a spare speaks for it (`spare`). Where that is killed after it has taken over, its
engine plays on (`engine/forsaken`), and the first computer must go on hearing so, above all if
it is started again. This process is started with the host and is mute as long as that lives.
Then it takes the port of the host and answers everybody who speaks to it, while the engine
sounds. A host that comes later relieves it (`relief`) before it takes the port back.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import sys
import time
from dataclasses import dataclass
from typing import Any

from syncbox.drivers import system
from syncbox.drivers.child import Child
from syncbox.drivers.relief import Relief, engine_is_gone
from syncbox.drivers.spare_post import Address, Post, Teller
from syncbox.drivers.spare_rules import Own
from syncbox.drivers.spare_words import NEVER, Letter, Question, Word
from syncbox.engine.leaving import HostWatch
from syncbox.engine.process import answer
from syncbox.engine.records import Deck, Health
from syncbox.engine.shared import Segment
from syncbox.engine.words import WORDS_BYTES
from syncbox.engine.words import Word as DeckWord
from syncbox.errors import DeviceError, EngineError, SyncboxError
from syncbox.units import NS_PER_SECOND

_LOOK_S = 0.01
_MUTE_LOOK_S = 0.1
_OVER_NS = 5 * NS_PER_SECOND  # without a block for so long: nobody plays any more
_FORGET_NS = 10 * NS_PER_SECOND  # as `spare` does
_PEERS_MAX = 8
_READY_S = 10.0
_RELIEVED_S = 1.0


@dataclass(frozen=True, slots=True)
class VoiceJob:
    """What a voice needs; `port` is the one on which its host listens."""

    deck_name: str
    now_type: type[Any]
    own: Own
    letter: Letter
    port: int


class Voice:
    """One turn after the other, with everything it needs given from outside."""

    def __init__(self, teller: Teller, own: Own, post: Post) -> None:
        self._teller, self._own, self._post = teller, own, post
        self._peers: dict[Address, int] = {}  # when each was heard
        self._heard_ns: int | None = None

    def turn(self, now_ns: int) -> None:
        """Look, listen, speak."""
        pulse = self._teller.look()
        for arrived in self._post.read():
            said = arrived.said
            if isinstance(said, Word | Letter) and said.run == self._own.run:
                continue  # our own
            if arrived.sender in self._peers or len(self._peers) < _PEERS_MAX:
                self._peers[arrived.sender] = arrived.at_ns
            if isinstance(said, Question):
                self._teller.reply(arrived)
            elif isinstance(said, Word):
                self._heard_ns = arrived.at_ns
        self._peers = {at: ns for at, ns in self._peers.items() if now_ns - ns <= _FORGET_NS}
        if pulse is not None and not pulse.silent:
            self._teller.speak(now_ns, self._peers, self._about(now_ns))

    def _about(self, now_ns: int) -> Word:
        hears_ns = NEVER if self._heard_ns is None else max(0, now_ns - self._heard_ns)
        return Word(playing=1, hears_ns=hears_ns)

    def say_goodbye(self) -> None:
        """The show is left in good order."""
        self._teller.say_goodbye(self._peers, self._about(system.now_ns()))


def serve(job: VoiceJob) -> None:
    """Be mute while the host lives, then speak until nobody plays any more, or it is relieved."""
    deck = Deck.attach(job.deck_name, job.now_type)
    relief, host = Relief(deck.words, DeckWord.BEACON), HostWatch()
    relief.claim()
    answer({"ready": True})
    while not host.gone:
        time.sleep(_MUTE_LOOK_S)
        if relief.over:
            return
    if not host.told:
        _speak(deck, job, relief)
    relief.end()


def _speak(deck: Deck, job: VoiceJob, relief: Relief) -> None:
    post: Post | None = None
    voice: Voice | None = None
    while not relief.over:
        over, in_order = _is_over(deck, system.now_ns())
        if over:
            if in_order and voice is not None:  # another host came, and left
                voice.say_goodbye()
            break
        if post is None:
            with contextlib.suppress(DeviceError):  # the port is free in a moment
                post = Post(job.port)
                voice = Voice(Teller(deck, job.own, job.letter, post), job.own, post)
        if post is None or voice is None:
            time.sleep(_MUTE_LOOK_S)
            continue
        post.wait(_LOOK_S)
        voice.turn(system.now_ns())
    if post is not None:
        post.close()


def _is_over(deck: Deck, now_ns: int) -> tuple[bool, bool]:
    """(whether nothing sounds here any more, whether it was left in good order)."""
    seen = deck.read()
    if seen is None or seen[0].silent:  # a silent engine leaves with its host
        return True, False
    in_order = seen[0].health == Health.FINISHED
    dead = now_ns - seen[0].block_ns > _OVER_NS or engine_is_gone(deck)
    return in_order or dead, in_order


def main() -> None:
    """Entry of the process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)  # it ends with the show, not before
    try:
        serve(pickle.load(sys.stdin.buffer))
    except SyncboxError as error:
        answer({"what": error.what, "where": error.where, "hint": error.hint})
    os._exit(0)  # shared memory is still in use here; see the engine process


class VoiceHost:
    """The host's hand on the voice. Use it as a context manager."""

    def __init__(self, job: VoiceJob) -> None:
        """Raises DeviceError or EngineError if there is none."""
        self._child = Child("voice", __name__, job)
        try:
            self._child.answer(patience_s=_READY_S)
        except BaseException:
            self._child.kill()
            self._child.close()
            raise

    def __enter__(self) -> VoiceHost:
        return self

    def __exit__(self, *_: object) -> None:
        self._child.leave(patience_s=2.0)
        self._child.close()


def relieve(deck_name: str, port: int) -> Post:
    """Take the port back from the voice of an engine that has no host.

    Raises DeviceError if another program has it, and the voice speaks no more.
    """
    with contextlib.suppress(EngineError):
        deck = Segment.attach(deck_name)
        with deck.view(0, WORDS_BYTES) as view, view.cast("q") as words:
            relief = Relief(words, DeckWord.BEACON)
            relief.claim()
            deadline_s = time.monotonic() + _RELIEVED_S
            while not relief.free and time.monotonic() < deadline_s:
                time.sleep(_LOOK_S)
            relief.end()
        deck.close()
    return Post(port)
