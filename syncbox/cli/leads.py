"""What the screen says of whoever leads: another box's clock, sticks, a tapping finger. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from syncbox.cli.screen import Health
from syncbox.engine.servo import Lock
from syncbox.engine.tapping import Said
from syncbox.engine.transport import State

if TYPE_CHECKING:
    from syncbox.engine.state import Now


def leader_health(now: Now) -> tuple[Health, ...]:
    """The box that is followed, in a word or two; nothing where none is."""
    if now.leader_lock < 0:
        return ()
    tempo = f"{now.leader_mqpm / 1000:.1f}"
    match Lock(now.leader_lock):
        case Lock.GONE:
            words = "no clock"
        case Lock.LISTENING:
            words = "listening"
        case Lock.LOCKED:
            words = f"locked {tempo}"
        case Lock.BRIDGING:
            words = "clock lost, goes on"
    missed = now.leader_lock in (Lock.GONE, Lock.BRIDGING)
    return (Health("leader", words, well=not (missed and now.leader_leads)),)


def waits_for_leader(now: Now) -> str:
    """What the song waits for if start was pressed and a leader begins it, else nothing."""
    if not now.leader_armed or now.transport not in (State.STOPPED, State.WAITING):
        return ""
    return "no leader: Space starts" if now.leader_lock == Lock.GONE else "waits for start"


def count_words(now: Now) -> str:
    """What came of the last stick hit or tap; nothing once the music plays."""
    if now.transport not in (State.STOPPED, State.WAITING):
        return ""
    beats = f"{now.count_milli / 1000:.1f}"
    words = {
        Said.COUNTING: f"count: {now.count_hits}",
        Said.RAGGED: f"too ragged a count ({beats}): count again",
        Said.TOO_SLOW: f"{beats} is too slow for this song: count again",
        Said.TOO_FAST: f"{beats} is too fast for this song: count again",
        Said.TAPPED: f"tempo tapped: {beats}",
    }
    return words.get(Said(now.count_said), "")
