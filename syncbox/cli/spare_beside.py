"""What runs beside the session of a spare computer: the network's side, and its keys."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from syncbox.cli.keys import Key
from syncbox.drivers.spare_post import Address, Post
from syncbox.drivers.spare_rules import Own
from syncbox.drivers.spare_words import Letter
from syncbox.errors import DeviceError, EngineError

if TYPE_CHECKING:
    from syncbox.cli.perform import Performance
    from syncbox.drivers.session import Session
    from syncbox.drivers.spare import SpareSide
    from syncbox.engine.state import Now

    Beside = Callable[[Session], AbstractContextManager[None]]

_TWICE_S = 3.0  # a key that is dangerous now counts when it is pressed again within this time


@dataclass(frozen=True, slots=True)
class AsSpare:
    """What a spare computer says of itself, where it listens, and whom it tells first.

    Kept for a host that comes after it has taken over.
    """

    own: Own
    letter: Letter
    port: int
    first: Address | None


def beside_spare(performance: Performance, card: AsSpare, post: Post, port_count: int) -> Beside:
    """Follow, take over, give back. `post` listens on the card's port."""
    from syncbox.cli.spare_view import spare_line, spare_view
    from syncbox.drivers.spare import SpareSide
    from syncbox.drivers.spare_voice import VoiceHost, VoiceJob
    from syncbox.engine.state import Now

    @contextmanager
    def beside(session: Session) -> Iterator[None]:
        side = SpareSide(
            session.deck_name,
            Now,
            card.own,
            card.letter,
            post,
            press=session.press,
            port_count=port_count,
            first=card.first,
        )
        job = VoiceJob(session.deck_name, Now, card.own, card.letter, card.port)
        keys = SpareKeys(performance, side)
        performance.take_key = keys.take
        performance.change_view = lambda view: spare_view(view, side.status())
        performance.side_line = lambda: spare_line(side.status())
        performance.refusal = lambda: "" if side.playing else "this computer is silent"
        with ExitStack() as stack:
            stack.enter_context(side)
            try:
                stack.enter_context(VoiceHost(job))
            except (DeviceError, EngineError) as error:
                performance.say(f"if this window is killed the first one is not told: {error.what}")
            yield

    return beside


class SpareKeys:
    """What the keys of a spare computer do. One that is dangerous at the moment is asked twice."""

    def __init__(self, performance: Performance, side: SpareSide) -> None:
        self._performance, self._side = performance, side
        self._sure: tuple[Key | None, float] = (None, 0.0)

    def take(self, key: Key, _now: Now) -> bool:
        """Whether the key has done its work here; all others belong to the show."""
        from syncbox.cli.spare_view import REFUSALS

        if key not in (Key.TAKE, Key.GIVE):
            if not self._side.playing and key is not Key.QUIT:
                self._performance.say(f"this computer is silent: {Key.TAKE.value} takes over")
                return True
            return False
        if question := self._question(key):
            self._performance.say(question)
            return True
        press = self._side.take_over if key is Key.TAKE else self._side.give_back
        refusal = press()
        self._performance.say("" if refusal is None else REFUSALS[refusal])
        return True

    def _question(self, key: Key) -> str:
        """What must be said before a key is obeyed; empty if it may be."""
        from syncbox.drivers.spare_rules import Situation

        status, now_s = self._side.status(), time.monotonic()
        sure = self._sure[0] is key and now_s < self._sure[1]
        self._sure = (None, 0.0)
        question = ""
        if key is Key.TAKE and status.situation is Situation.FOLLOWING:
            question = f"the first one plays: press {key.value} again, and both will be heard"
        elif key is Key.GIVE and status.situation is Situation.BOTH_ON:
            question = f"the first one is stopped: press {key.value} again, and nobody plays"
        if sure or not question:
            return ""
        self._sure = (key, now_s + _TWICE_S)
        return question
