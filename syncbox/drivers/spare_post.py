"""The wire between two computers: one UDP socket, and what an engine has to say on it.

Nothing here waits, and nothing that a network can do raises: a cable that is out, an
address that nobody has and a packet that makes no sense are all the same silence.
"""

from __future__ import annotations

import contextlib
import select
import socket
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from syncbox.drivers import system
from syncbox.drivers.spare_rules import Own
from syncbox.drivers.spare_words import (
    NEVER,
    PACKET_BYTES_MAX,
    Answer,
    Letter,
    OtherVersion,
    PlaceWord,
    Question,
    Said,
    Word,
    packet,
    said_in,
)
from syncbox.engine.records import Deck, Health, Pulse
from syncbox.errors import DeviceError
from syncbox.units import NS_PER_SECOND

PORT = 51_730  # of those that nobody has reserved (RFC 6335, section 6)
WORD_NS = NS_PER_SECOND // 10
_LETTER_NS = NS_PER_SECOND
_PLACE_AGAIN_NS = (0, WORD_NS, 3 * WORD_NS)  # a new place is said at once and twice again,
_PLACE_EVERY_NS = NS_PER_SECOND  # then once a second
_READ_MAX = 200  # packets in one go: a flood must not keep us from speaking

Address = tuple[str, int]


def address_of(text: str) -> Address:
    """`10.0.0.2`, `stage-left.local` or `10.0.0.2:5000`. Raises DeviceError for anything else."""
    host, colon, port = text.strip().partition(":")
    wrong = DeviceError(
        f"{text!r} is not the address of a computer",
        hint="write it as 10.0.0.2, or with a port as 10.0.0.2:51730",
    )
    if not host or (colon and not port.isdecimal()) or (colon and not 0 < int(port) < 65_536):
        raise wrong
    try:
        found = socket.getaddrinfo(host, int(port or PORT), socket.AF_INET, socket.SOCK_DGRAM)
    except (OSError, UnicodeError):
        raise wrong from None
    at: Address = (str(found[0][4][0]), int(found[0][4][1]))
    return at


@dataclass(frozen=True, slots=True)
class Arrived:
    """One packet that made sense, from whom, and when by our clock."""

    said: Said | OtherVersion
    sender: Address
    at_ns: int


class Post:
    """The socket."""

    def __init__(self, port: int = 0) -> None:
        """Port 0: any. Raises DeviceError if another program has it."""
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self.strangers = 0  # packets that made no sense
        self.unsent = 0  # that the network would not take
        try:
            self._socket.bind(("", port))
        except OSError as error:
            self._socket.close()
            raise DeviceError(
                f"the network port {port} cannot be used: {error.strerror}",
                hint="does syncbox run on this computer already? --port takes another one",
            ) from None

    @property
    def port(self) -> int:
        """Its number."""
        return int(self._socket.getsockname()[1])

    def send(self, said: Said, to: Address) -> None:
        """Send a packet, if that can be done now."""
        data = packet(said)
        try:
            if len(data) <= PACKET_BYTES_MAX:
                self._socket.sendto(data, to)
        except OSError:
            self.unsent += 1

    def wait(self, seconds: float) -> None:
        """Until something has come, but not for longer than this."""
        with contextlib.suppress(OSError, ValueError):
            select.select([self._socket], [], [], seconds)

    def read(self) -> Iterator[Arrived]:
        """Everything that has come."""
        for _ in range(_READ_MAX):
            try:
                data, sender = self._socket.recvfrom(65_535)
            except BlockingIOError:
                return
            except OSError:  # what we sent before was refused: it says so here
                continue
            at_ns = system.now_ns()
            said = said_in(data)
            if said is None:
                self.strangers += 1
            else:
                yield Arrived(said, (sender[0], sender[1]), at_ns)

    def close(self) -> None:
        self._socket.close()


class Teller:
    """Says how the engine on a deck is, to everyone who shall know."""

    def __init__(self, deck: Deck, own: Own, letter: Letter, post: Post) -> None:
        self._deck, self._own, self._letter, self._post = deck, own, letter, post
        self.pulse: Pulse | None = None
        self._best: tuple[int, int] | None = None  # frame and ns of the block that was least late
        self._word = Word()
        # Numbers go up also where another process goes on telling of the same engine.
        self._number = self._place_number = system.now_ns() // 1_000_000
        self._word_due_ns = self._letter_due_ns = 0
        self._place: bytes | None = None
        self._place_said = 0
        self._place_due_ns = 0

    def look(self) -> Pulse | None:
        """See how the engine is; call it much more often than it speaks."""
        seen = self._deck.read()
        if seen is None:
            return None
        pulse, now = seen
        self._word = replace(self._word, transport=int(getattr(now, "transport", 0)))
        if self.pulse is None or pulse.blocks != self.pulse.blocks:
            self._keep_if_best(pulse)
        self.pulse = pulse
        return pulse

    def _keep_if_best(self, pulse: Pulse) -> None:
        fresh = (pulse.block_start_frame, pulse.block_ns)
        if self._best is not None:
            frames, ns = fresh[0] - self._best[0], fresh[1] - self._best[1]
            if frames > 0 and ns > frames * NS_PER_SECOND / self._own.rate:
                return  # it was later
        self._best = fresh

    def speak(self, now_ns: int, to: Iterable[Address], about: Word) -> None:
        """Say what is due. `about` has what the engine does not know of itself."""
        to = tuple(to)
        if now_ns >= self._word_due_ns and self.pulse is not None:
            self._word_due_ns = now_ns + WORD_NS
            self._say_word(now_ns, to, about)
        if now_ns >= self._letter_due_ns:
            self._letter_due_ns = now_ns + _LETTER_NS
            for each in to:
                self._post.send(self._letter, each)
        if about.playing:
            self._say_place(now_ns, to)

    def _say_word(self, now_ns: int, to: tuple[Address, ...], about: Word) -> None:
        assert self.pulse is not None
        own, pulse = self._own, self.pulse
        runs = pulse.health == Health.RUNNING and pulse.blocks > 0
        frame, ns = self._best or (pulse.block_start_frame, pulse.block_ns)
        self._best = None
        self._number += 1
        word = replace(
            about,
            run=own.run,
            number=self._number,
            show=own.show,
            sounds=own.sounds,
            rate=own.rate,
            place_version=own.place_version,
            frame=frame,
            frame_ns=ns,
            age_ns=max(0, now_ns - pulse.block_ns) if runs else NEVER,
            transport=self._word.transport,
            place_number=self._place_number,
        )
        for each in to:
            self._post.send(word, each)

    def _say_place(self, now_ns: int, to: tuple[Address, ...]) -> None:
        text = self._deck.read_place_text()
        if text is None:
            return
        if text != self._place:
            self._place = text
            self._place_number += 1
            self._place_said, self._place_due_ns = 0, now_ns
        if now_ns < self._place_due_ns:
            return
        said = self._place_said
        again = _PLACE_AGAIN_NS[said + 1] - _PLACE_AGAIN_NS[said] if said + 1 < 3 else 0
        self._place_due_ns = now_ns + (again or _PLACE_EVERY_NS)
        self._place_said = min(said + 1, len(_PLACE_AGAIN_NS) - 1)
        for each in to:
            self._post.send(PlaceWord(self._own.run, self._place_number, text), each)

    def reply(self, arrived: Arrived) -> None:
        """Tell the time to the one who asked."""
        said = arrived.said
        assert isinstance(said, Question)
        now_ns = system.now_ns()
        answer = Answer(self._own.run, said.asked_ns, arrived.at_ns, now_ns)
        self._post.send(answer, arrived.sender)

    def say_goodbye(self, to: Iterable[Address], about: Word) -> None:
        """The show is left in good order; said thrice, since no one answers."""
        if self.pulse is not None:
            for _ in range(3):
                self._say_word(system.now_ns(), tuple(to), replace(about, leaves=1))
