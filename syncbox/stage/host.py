"""The host's hand on the page's process: the newest card goes out, presses come in.

The loop that looks after the show never waits here. Cards and answers are written by a thread
of its own, presses come through a bounded queue, and a third thread starts another process
where one has died or does not answer. The show plays on whatever happens to it.
"""

from __future__ import annotations

import contextlib
import importlib.util
import json
import queue
import threading
import time
from collections import deque
from dataclasses import dataclass, replace
from typing import Any

from syncbox.drivers import system
from syncbox.drivers.child import Child
from syncbox.errors import DeviceError, EngineError, UnreadableError
from syncbox.stage.addresses import PORT, web_addresses
from syncbox.stage.card import Card, card_text
from syncbox.stage.door import fresh_code
from syncbox.stage.presses import Press
from syncbox.units import NS_PER_SECOND

LIBRARIES = ("starlette", "uvicorn", "websockets", "segno")
BEAT_S = 0.4  # an unchanged card is said again, so that the phones know that it still holds
_APART_S = 0.05  # 20 cards a second at most
_READY_S = 15.0
_LOOK_S = 0.1
_HUNG_S = 10.0  # a process that has said nothing for so long is ended
_AGAIN_S = (0.0, 1.0, 2.0, 5.0, 10.0)  # before each further start
_STEADY_S = 30.0  # one that has lived for so long is started at once again
_JOIN_S, _LEAVE_S = 1.0, 3.0
_PRESSES_MAX = 32
_ANSWERS_MAX = 64
STAGE, LEARN = "stage", "learn"  # the pages
OLD_NS = NS_PER_SECOND  # a press that waited for longer does not count any more
TOO_OLD = "that press came too late to count: look, then press again"
TOO_MANY = "too many presses at once: press again"


@dataclass(frozen=True, slots=True)
class PageJob:
    """Which page (STAGE, LEARN) a process serves, where it listens, and the code for pressing."""

    page: str
    port: int = PORT
    code: str = ""

    @staticmethod
    def fresh(page: str, port: int) -> PageJob:
        """With a new code."""
        return PageJob(page, port, fresh_code())


@dataclass(frozen=True, slots=True)
class FromPhone:
    """A press and the phone that waits for its answer."""

    phone: int
    press: Press
    at_ns: int


def need_libraries() -> None:
    """Raises UnreadableError where what the page needs is not installed. Loads none of it."""
    missing = [name for name in LIBRARIES if importlib.util.find_spec(name) is None]
    if missing:
        raise UnreadableError(
            f"the page needs {', '.join(missing)}",
            hint="pip install 'syncbox[page]', or leave out --page",
        )


class PageHost:
    """A served page. `show` it something often; close it at the end."""

    def __init__(self, job: PageJob, *, must: bool = True) -> None:
        """Raises DeviceError or EngineError if the page cannot be served and there `must` be one.

        Else it is tried again and again, and `trouble` says why.
        """
        self.job = job
        self.addresses: tuple[str, ...] = ()
        self.phones = 0
        self.trouble = ""
        self._card: Card | None = None
        self._shown_s = 0.0
        self._answers: deque[str] = deque(maxlen=_ANSWERS_MAX)
        self._presses: queue.Queue[FromPhone] = queue.Queue(_PRESSES_MAX)
        self._wake, self._closing = threading.Event(), threading.Event()
        self._child: Child | None = None
        self._heard_s = self._began_s = time.monotonic()
        self._starts = 0
        try:
            self._start()
        except (DeviceError, EngineError) as error:
            if must:
                raise
            self.trouble = f"the page is not served: {error.what}"
        self._threads = [
            threading.Thread(target=work, name=f"page {work.__name__}", daemon=True)
            for work in (self._write, self._watch)
        ]
        for thread in self._threads:
            thread.start()

    # --- for the host's loop: none of these waits ---------------------------------------------

    def show(self, card: Card) -> None:
        """What the page shows from now on."""
        now_s = time.monotonic()
        if card != self._card or now_s - self._shown_s > BEAT_S:
            self._card, self._shown_s = card, now_s
            self._wake.set()

    def presses(self) -> list[FromPhone]:
        """What was pressed since the last call, oldest first; one that is old is refused here."""
        found = []
        with contextlib.suppress(queue.Empty):
            while True:
                one = self._presses.get_nowait()
                if system.now_ns() - one.at_ns > OLD_NS:
                    self.answer(one, done=False, words=TOO_OLD)
                else:
                    found.append(one)
        return found

    def answer(self, to: FromPhone, *, done: bool, words: str = "") -> None:
        """Tell a phone what came of its press."""
        about = {"phone": to.phone, "id": to.press.id, "done": done, "words": words}
        self._answers.append(json.dumps(about, ensure_ascii=False))
        self._wake.set()

    @property
    def address(self) -> str:
        """The likeliest one, as it is typed."""
        return self.web_addresses[0]

    @property
    def web_addresses(self) -> tuple[str, ...]:
        """All of them; that of this computer alone where it is on no network."""
        return web_addresses(self.addresses, self.job.port)

    # --- the threads ---------------------------------------------------------------------------

    def _write(self) -> None:
        written: Card | None = None
        text = ""
        while not self._closing.is_set():
            self._wake.wait(_LOOK_S * 5)
            self._wake.clear()
            child, card = self._child, self._card
            if child is None:
                self._closing.wait(_LOOK_S)
                continue
            while self._answers:
                child.tell(f"answer {self._answers.popleft()}\n".encode())
            if card is not None and time.monotonic() - self._shown_s < 2 * BEAT_S:
                if card is not written:
                    written, text = card, card_text(card)
                child.tell(f"card {text}\n".encode())
            self._closing.wait(_APART_S)

    def _watch(self) -> None:
        """Start another process where one has gone, or hangs."""
        looked_s = time.monotonic()
        while not self._closing.wait(_LOOK_S):
            now_s = time.monotonic()
            if now_s - looked_s > 1.0:  # we stood still ourselves: it could not be heard
                self._heard_s = now_s
            looked_s = now_s
            child = self._child
            if child is not None and child.alive and now_s - self._heard_s < _HUNG_S:
                continue
            self._mend(child)

    def _mend(self, child: Child | None) -> None:
        if child is not None:
            self._child = None
            self.phones = 0
            self.trouble = "the page has died: it is started anew"
            child.kill()
            child.close()
        if time.monotonic() - self._began_s > _STEADY_S:
            self._starts = 0
        pause_s = _AGAIN_S[min(self._starts, len(_AGAIN_S) - 1)]
        if self._closing.wait(pause_s):
            return
        self._starts += 1
        try:
            self._start()
        except (DeviceError, EngineError) as error:
            self.trouble = f"the page is not served: {error.what}"

    def _start(self) -> None:
        child = Child("page", "syncbox.stage.server", self.job)
        try:
            facts = child.answer(patience_s=_READY_S)
        except BaseException:
            child.kill()
            child.close()
            raise
        self.job = replace(self.job, port=facts["port"])
        self.addresses = tuple(facts["addresses"])
        self._heard_s = self._began_s = time.monotonic()
        self.trouble = ""
        self._child = child
        threading.Thread(target=self._listen, args=(child,), name="page ear", daemon=True).start()

    def _listen(self, child: Child) -> None:
        for report in child.further_answers():
            if child is not self._child:
                return
            self._heard_s = time.monotonic()
            if "phones" in report:
                self.phones = report["phones"]
            elif "press" in report:
                self._take(report["press"])

    def _take(self, report: dict[str, Any]) -> None:
        press = Press(report["what"], report["id"], 0, tuple(report["words"].items()))
        one = FromPhone(report["phone"], press, report["at_ns"])
        try:
            self._presses.put_nowait(one)
        except queue.Full:
            self.answer(one, done=False, words=TOO_MANY)

    def close(self) -> None:
        """End the process. Safe to repeat."""
        self._closing.set()
        self._wake.set()
        for thread in self._threads:
            thread.join(_JOIN_S)
        child, self._child = self._child, None
        if child is None:
            return
        if any(thread.is_alive() for thread in self._threads):  # it takes nothing any more
            child.kill()
        else:
            child.leave(patience_s=_LEAVE_S)
        child.close()

    def __enter__(self) -> PageHost:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
