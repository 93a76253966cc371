"""The spare computer's side: keeps a silent engine where the first one's is, and lets it sound.

A thread of the host. It hears the first computer, finds which of our frames that one plays
now (`spare_clock`), and gives the engine orders through the deck (`engine/standby`). Who
sounds is decided by `spare_rules` alone.

An engine that is let sound goes on by its own sound card. Until then it is brought back to
the first one's grid with each place that says something new, after a drift of half a
millisecond, and every half minute to be sure. What follows from the program it does by itself.
"""

from __future__ import annotations

import contextlib
import json
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from syncbox.drivers import spare_rules, system
from syncbox.drivers.spare_clock import Difference, Frames, Offset
from syncbox.drivers.spare_post import Address, Arrived, Post, Teller
from syncbox.drivers.spare_rules import (
    Misfit,
    Own,
    Refusal,
    Situation,
    Spare,
    first_is_alive,
    situation_of,
)
from syncbox.drivers.spare_words import (
    NEVER,
    Answer,
    Letter,
    OtherVersion,
    PlaceWord,
    Question,
    Word,
)
from syncbox.engine.records import Deck, Order, Pulse
from syncbox.engine.returning import Refresh, refresh
from syncbox.engine.transport import Command, State, packed
from syncbox.errors import EngineError, RingFullError
from syncbox.units import NS_PER_SECOND

_LOOK_S = 0.01
_SAMPLE_NS = NS_PER_SECOND // 10
_ASK_NS = NS_PER_SECOND // 4
_WATCHED_NS = NS_PER_SECOND // 4  # two devices are watched this long before one follows the other
_PLACE_GAP_NS = NS_PER_SECOND // 5  # no more than five places a second are taken up
_PLACE_OLD_NS = 5 * NS_PER_SECOND  # one that is older is not worth to be taken up again
_HOLDS_NS = 4 * NS_PER_SECOND
_ANEW_NS = 30 * NS_PER_SECOND  # to be sure
# What of a place changes while nothing is decided, or concerns the first one's ports only.
_PASSING = ("frame", "shown", "free", "timed", "selected", "code")
_DRIFT_PER_SECOND = 2000  # of a second: a drift of half a millisecond is brought back
_FORGET_NS = 10 * NS_PER_SECOND  # somebody who was not heard for so long is not told any more
_PEERS_MAX = 8
_STILL = (State.STOPPED, State.WAITING)


@dataclass(frozen=True, slots=True)
class SpareStatus:
    """How a spare computer is, for its screen."""

    situation: Situation
    misfit: Misfit = Misfit.NONE
    by_itself: bool = False  # it took over without a person
    by_itself_in_ms: int = NEVER  # it will, if nothing is heard until then
    first_is_still: bool = False  # nothing plays there, by its last word
    first_hears_us: bool = False
    computer: str = ""  # the first one's name
    where: str = ""  # and where it came in, if not at the top
    ago_ms: int = NEVER  # since it was heard
    within_us: int = NEVER  # how well its clock is known
    lost_permille: int = 0
    card_ppm: float = 0.0  # how much faster its sound card runs than ours
    sounds_differ: bool = False
    rival: bool = False  # there is a second first computer
    other_version: bool = False  # somebody speaks another version
    follower: bool = False  # a silent computer goes along with us


def essence_of(text: bytes) -> str:
    """What a place says that cannot be known from an earlier one and the program."""
    try:
        place = json.loads(text)
        for run in place["runs"]:
            run.pop("started", None)
        return json.dumps([value for key, value in place.items() if key not in _PASSING])
    except (ValueError, LookupError, TypeError, AttributeError):
        return repr(text)


class SpareSide:
    """Follows, takes over, gives back. Use it as a context manager around its thread."""

    def __init__(
        self,
        deck_name: str,
        now_type: type[Any],
        own: Own,
        letter: Letter,
        post: Post,
        *,
        press: Callable[[int], None],
        port_count: int,
        first: Address | None = None,
    ) -> None:
        """`press` gives a command to the engine; `first` is told of us before it has spoken."""
        self._own, self._post, self._press, self._port_count = own, post, press, port_count
        self._deck = Deck.attach(deck_name, now_type)
        self._teller = Teller(self._deck, own, letter, post)
        self._lock = threading.Lock()  # of the host's own threads
        self._leaving = threading.Event()
        self._first_at = first
        self._peers: dict[Address, int] = {}  # when each was heard
        self._letters: dict[int, Letter] = {}
        self._other_version_ns = spare_rules.LONG_AGO
        self._offset = Offset()
        self._ours, self._theirs = Frames(own.rate), Frames(own.rate)
        self._pulse = Pulse()
        self._sampled_ns = self._asked_ns = 0
        self._best: tuple[int, int] | None = None
        self._place: PlaceWord | None = None
        self._place_ns = 0
        # Another order is there already if a host before us was killed after it had taken over.
        self._order = self._deck.read_order() or Order()
        self._spare = Spare(playing=not self._order.silent)
        self._order_ns = 0
        self._ordered = (0, "")  # run and essence of the place that was ordered
        self._taken = 0  # places that the engine had taken up before this first one
        self._pedal: int | None = None
        self._refresh_due = False
        self._thread = threading.Thread(target=self._run, name="spare", daemon=True)

    # --- for the screen's thread --------------------------------------------------------------

    def take_over(self) -> Refusal | None:
        """A person wants this computer to sound."""
        with self._lock:
            return self._become(
                spare_rules.spare_takes_over(self._spare, system.now_ns(), self._own)
            )

    def give_back(self) -> Refusal | None:
        """A person wants it to be silent and go along again."""
        with self._lock:
            return self._become(spare_rules.spare_gives_back(self._spare, system.now_ns()))

    @property
    def playing(self) -> bool:
        return self._spare.playing

    def status(self) -> SpareStatus:
        """How things are now."""
        with self._lock:
            return self._status(system.now_ns())

    def _status(self, now_ns: int) -> SpareStatus:
        spare, first = self._spare, self._spare.first
        still = self._first_is_still()
        situation = situation_of(spare, now_ns, self._own, still=still)
        rival = now_ns - spare.rival_ns < 3 * NS_PER_SECOND
        other_version = now_ns - self._other_version_ns < 3 * NS_PER_SECOND
        follower = spare.follower
        followed = follower is not None and now_ns - follower.heard_ns < spare_rules.DEAF_NS
        if first is None:
            return SpareStatus(
                situation, other_version=other_version, rival=rival, follower=followed
            )
        word, difference = first.word, self._offset.difference(now_ns)
        letter = self._letters.get(word.run)
        left_ns = self._own.patience_ns - (now_ns - first.fresh_ns)
        ours, theirs = self._ours.line, self._theirs.line
        return SpareStatus(
            situation,
            misfit=self._own.misfit(word),
            by_itself=spare.by_itself,
            by_itself_in_ms=left_ns // 1_000_000 if situation is Situation.QUIET else NEVER,
            first_is_still=still,
            first_hears_us=0 <= word.hears_ns < spare_rules.DEAF_NS,
            computer=letter.computer if letter else "",
            where=letter.where if letter else "",
            ago_ms=max(0, now_ns - first.heard_ns) // 1_000_000,
            within_us=difference.within_ns // 1000 if difference else NEVER,
            lost_permille=first.lost_permille,
            card_ppm=theirs.ppm(self._own.rate) - ours.ppm(self._own.rate)
            if ours and theirs
            else 0.0,
            sounds_differ=word.sounds != self._own.sounds,
            rival=rival,
            other_version=other_version,
            follower=followed,
        )

    def _first_is_still(self) -> bool:
        first = self._spare.first
        return first is not None and first.word.transport in _STILL

    # --- the thread ---------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._leaving.is_set():
            self._post.wait(_LOOK_S)
            with self._lock:
                self._turn(system.now_ns())
            self._refresh_ports()
        with self._lock:
            self._teller.say_goodbye(self._peers, self._about(system.now_ns()))

    def _turn(self, now_ns: int) -> None:
        self._look(now_ns)
        for arrived in self._post.read():
            self._take(arrived)
        self._become(spare_rules.spare_waits(self._spare, now_ns, self._own))
        self._ask(now_ns)
        if not self._spare.playing:
            self._go_along(now_ns)
        for address in [a for a, heard in self._peers.items() if now_ns - heard > _FORGET_NS]:
            del self._peers[address]
        to = set(self._peers) | ({self._first_at} if self._first_at else set())
        self._teller.speak(now_ns, to, self._about(now_ns))

    def _about(self, now_ns: int) -> Word:
        first, difference = self._spare.first, self._offset.difference(now_ns)
        others = [other.heard_ns for other in (first, self._spare.follower) if other is not None]
        hears_ns = max(0, now_ns - max(others)) if others else NEVER
        return Word(
            playing=int(self._spare.playing),
            by_itself=int(self._spare.by_itself),
            hears_ns=hears_ns,
            goes_along=int(self._spare.went_along and first_is_alive(self._spare, now_ns)),
            within_ns=difference.within_ns if difference else 0,
            lost_permille=first.lost_permille if first else 0,
        )

    def _look(self, now_ns: int) -> None:
        """See how our own engine is, and whether its pedal was pressed."""
        pulse = self._teller.look()
        if pulse is None:
            return
        self._pulse = pulse
        if self._pedal is not None and pulse.take_overs > self._pedal:
            self._become(spare_rules.spare_takes_over(self._spare, now_ns, self._own))
        self._pedal = pulse.take_overs
        if pulse.places_taken > self._taken:
            self._taken = pulse.places_taken
            first = self._spare.first
            if first is not None and first.word.run == self._ordered[0]:
                self._spare = spare_rules.spare_goes_along(self._spare)
        sample = (pulse.block_start_frame - pulse.shift_frames, pulse.block_ns)
        nominal_ns = NS_PER_SECOND / self._own.rate
        if self._best is None or (
            sample[1] - self._best[1] < (sample[0] - self._best[0]) * nominal_ns
        ):
            self._best = sample
        if now_ns - self._sampled_ns >= _SAMPLE_NS:
            self._sampled_ns = now_ns
            self._ours.add(*self._best)
            self._best = None

    def _take(self, arrived: Arrived) -> None:
        said, at_ns = arrived.said, arrived.at_ns
        if isinstance(said, OtherVersion):
            self._other_version_ns = at_ns
            return
        if said.run == self._own.run and not isinstance(said, Question):
            return
        first = self._spare.first
        if arrived.sender in self._peers or len(self._peers) < _PEERS_MAX:
            self._peers[arrived.sender] = at_ns
        if isinstance(said, Question):
            self._teller.reply(arrived)
        elif isinstance(said, Letter):
            self._letters = {**self._letters, said.run: said} if len(self._letters) < 8 else {}
        elif isinstance(said, Word):
            self._hear(said, arrived)
        elif first is None or said.run != first.word.run:
            return
        elif isinstance(said, Answer):
            self._offset.add(said.asked_ns, said.heard_ns, said.answered_ns, at_ns)
        elif self._place is None or said.run != self._place.run or said.number > self._place.number:
            self._place, self._place_ns = said, at_ns

    def _hear(self, word: Word, arrived: Arrived) -> None:
        before = self._spare.first
        self._spare = spare_rules.spare_hears(self._spare, word, arrived.at_ns, self._own)
        first = self._spare.first
        if first is None or first is before or first.word is not word:
            return  # of somebody else, or an old one
        if before is None or before.word.run != word.run:
            self._offset.forget()
            self._theirs.forget()
            self._place = None
        self._first_at = arrived.sender
        if word.age_ns != NEVER:
            self._theirs.add(word.frame, word.frame_ns)

    def _ask(self, now_ns: int) -> None:
        if self._spare.first is not None and now_ns - self._asked_ns >= _ASK_NS:
            assert self._first_at is not None
            self._asked_ns = now_ns
            self._post.send(Question(self._own.run, system.now_ns()), self._first_at)

    # --- orders for the engine ----------------------------------------------------------------

    def _go_along(self, now_ns: int) -> None:
        """Bring the engine to the newest place, or back to the grid that it has drifted from."""
        place, first = self._place, self._spare.first
        difference = self._offset.difference(now_ns)
        if place is None or first is None or difference is None:
            return
        if self._own.misfit(first.word) is not Misfit.NONE or place.run != first.word.run:
            return
        # What was measured of a first one that is quiet holds on for a while.
        gone = now_ns - first.fresh_ns > _HOLDS_NS
        if gone or now_ns - self._order_ns < _PLACE_GAP_NS:
            return
        shift = self._shift(now_ns, difference)
        if shift is None:
            return
        if self._wants(place, shift, now_ns):
            number = self._order.place_number + 1
            self._ordered, self._order_ns = (place.run, essence_of(place.text)), now_ns
            self._order = Order(1, number, shift)
            self._deck.give_order(self._order, place.text)

    def _wants(self, place: PlaceWord, shift: int, now_ns: int) -> bool:
        """Whether there is a reason to bring the engine to a place."""
        if (place.run, essence_of(place.text)) != self._ordered:
            return True
        drift = abs(shift - self._order.shift_frames) * _DRIFT_PER_SECOND > self._own.rate
        anew = now_ns - self._order_ns > _ANEW_NS
        return (drift or anew) and now_ns - self._place_ns < _PLACE_OLD_NS

    def _shift(self, now_ns: int, difference: Difference) -> int | None:
        """What is added to our count of frames to have the first one's; None: not known yet."""
        ours, theirs = self._ours, self._theirs
        if ours.line is None or theirs.line is None:
            return None
        if min(ours.span_ns, theirs.span_ns) < _WATCHED_NS:
            return None
        return round(theirs.line.frame_at(now_ns + difference.ns) - ours.line.frame_at(now_ns))

    def _become(self, wanted: Spare | Refusal) -> Refusal | None:
        """Be what the rules say, and order the engine accordingly."""
        if isinstance(wanted, Refusal):
            return wanted
        before, self._spare = self._spare, wanted
        if wanted.playing is not before.playing:
            self._order = Order(
                int(not wanted.playing), self._order.place_number, self._order.shift_frames
            )
            self._deck.give_order(self._order)
            self._refresh_due = wanted.playing
            self._ordered = (0, "")
        return None

    def _refresh_ports(self) -> None:
        """Once the engine sounds, every port gets what it has missed."""
        if not self._refresh_due or self._pulse.silent:
            return
        self._refresh_due = False
        for port in range(self._port_count):
            with contextlib.suppress(EngineError, RingFullError):  # it died, or hangs
                self._press(packed(Command.REFRESH_PORT, refresh(port, Refresh.WHOLE)))

    def close(self) -> None:
        """Say goodbye, and let go of the deck. The engine stays as it is."""
        self._leaving.set()
        if self._thread.is_alive():
            self._thread.join(2.0)
        self._deck.close()
        self._post.close()

    def __enter__(self) -> SpareSide:
        for _ in self._post.read():
            pass  # what came while the show was being read is no news
        self._deck.give_order(self._order)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
