"""All phones that look at the page: each gets the newest card, as fast as it can take it.

Nothing is kept for anybody. A phone that is slow skips cards, one that takes nothing for a
second is let go and comes again by itself, and nobody waits for it. Only what the host says is
passed on, so that a phone hears nothing when the host says nothing: the page then says that
what it shows is old.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections import deque
from collections.abc import Awaitable, Callable
from typing import Any, Protocol

from syncbox.stage.door import Door
from syncbox.stage.presses import Code, Press, read_note
from syncbox.units import NS_PER_SECOND

PHONES_MAX = 64
APART_S = 0.05  # 20 cards a second at most
TAKE_S = 1.0  # so long a phone may take to accept one card
NOTES_MAX = 40  # a phone sends no more than this in a burst, and a quarter of it a second
CARDS_KNOWN = 512  # when each of the last cards came
BEHIND_NS = 3 * NS_PER_SECOND  # a phone that shows an older card does not see what it does
ANSWERS_MAX = 16

LATE = "this phone was behind the music: look, then press again"
SHUT = "type the code first"


class Wire(Protocol):
    """The connection to one phone."""

    async def send(self, text: str) -> None: ...
    async def receive(self) -> str | bytes: ...


class Phone:
    """One page that is open somewhere."""

    def __init__(self, number: int, wire: Wire, address: str) -> None:
        self.number, self.address = number, address
        self.inside = False  # it knows the code
        self.answers: deque[str] = deque(maxlen=ANSWERS_MAX)
        self.wake = asyncio.Event()
        self._wire = wire
        self._notes, self._since_s = float(NOTES_MAX), 0.0

    async def send(self, text: str) -> None:
        """Raises TimeoutError when the phone does not take it."""
        async with asyncio.timeout(TAKE_S):
            await self._wire.send(text)

    async def receive(self) -> str | bytes:
        return await self._wire.receive()

    def tell(self, **words: Any) -> None:
        """Something for this phone alone, before the next card."""
        self.answers.append(json.dumps(words, ensure_ascii=False))
        self.wake.set()

    def may_speak(self, now_s: float) -> bool:
        """Whether it has not sent more than hands can press."""
        gained = max(0.0, now_s - self._since_s) * NOTES_MAX / 4
        self._notes, self._since_s = min(float(NOTES_MAX), self._notes + gained) - 1.0, now_s
        return self._notes >= 0


class Hub:
    """Passes cards to the phones and presses to the host. Lives in one event loop."""

    def __init__(
        self,
        door: Door,
        to_host: Callable[[dict[str, Any]], None],
        now_ns: Callable[[], int],
        page: str,
    ) -> None:
        """`to_host` takes a press without waiting; `now_ns` is the clock that the host has too.

        `page` stands for the page and its version: a phone that has another one open loads anew.
        """
        self._door, self._to_host, self._now_ns, self._page = door, to_host, now_ns, page
        self._phones: dict[int, Phone] = {}
        self._met = 0
        self._number, self._text = 0, ""
        self._known: deque[tuple[int, int]] = deque(maxlen=CARDS_KNOWN)

    @property
    def count(self) -> int:
        """How many phones look."""
        return len(self._phones)

    def show(self, card: str) -> None:
        """The newest card, as JSON."""
        self._number += 1
        self._text = f'{{"no":{self._number},"card":{card}}}'
        self._known.append((self._number, self._now_ns()))
        for phone in self._phones.values():
            phone.wake.set()

    def answer(self, phone_number: int, words: dict[str, Any]) -> None:
        """What came of a press, for the phone it came from."""
        phone = self._phones.get(phone_number)
        if phone is not None:
            phone.tell(answer=words)

    async def serve(self, wire: Wire, address: str) -> None:
        """One phone, until it goes, is too slow, or sends what no page sends."""
        self._met += 1
        phone = Phone(self._met, wire, address)
        if self.count >= PHONES_MAX:
            await phone.send(json.dumps({"full": PHONES_MAX}))
            return
        self._phones[phone.number] = phone
        phone.wake.set()
        sides: tuple[Awaitable[None], ...] = (self._feed(phone), self._listen(phone))
        tasks = [asyncio.ensure_future(side) for side in sides]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            del self._phones[phone.number]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _feed(self, phone: Phone) -> None:
        shown = 0
        with contextlib.suppress(Exception):  # it went, or is too slow: it comes again by itself
            await phone.send(json.dumps({"hello": self._page}))
            while True:
                await phone.wake.wait()
                phone.wake.clear()
                while phone.answers:
                    await phone.send(phone.answers.popleft())
                if shown != self._number:
                    shown = self._number
                    await phone.send(self._text)
                await asyncio.sleep(APART_S)

    async def _listen(self, phone: Phone) -> None:
        with contextlib.suppress(Exception):
            while True:
                note = read_note(await phone.receive())
                now_s = self._now_ns() / NS_PER_SECOND
                if note is None or not phone.may_speak(now_s):
                    return
                if isinstance(note, Code):
                    self._try(phone, note.code, now_s)
                else:
                    self._press(phone, note)

    def _try(self, phone: Phone, code: str, now_s: float) -> None:
        wait_s = self._door.wait_s(phone.address, now_s)
        if wait_s > 0:
            phone.tell(door="wait", wait_s=round(wait_s, 1))
            return
        phone.inside = self._door.opens(code, phone.address, now_s)
        wait_s = self._door.wait_s(phone.address, now_s)
        phone.tell(door="open" if phone.inside else "wrong", wait_s=round(wait_s, 1))

    def _press(self, phone: Phone, press: Press) -> None:
        refusal = "" if phone.inside else SHUT
        if not refusal and not self._sees(press.seen):
            refusal = LATE
        if refusal:
            phone.tell(answer={"id": press.id, "done": False, "words": refusal})
            return
        self._to_host(
            {
                "phone": phone.number,
                "what": press.what,
                "id": press.id,
                "words": dict(press.words),
                "at_ns": self._now_ns(),
            }
        )

    def _sees(self, number: int) -> bool:
        """Whether the card that a phone shows is of just now."""
        at_ns = next((at_ns for known, at_ns in self._known if known == number), None)
        return at_ns is not None and self._now_ns() - at_ns < BEHIND_NS
