"""Numbers in a deck by which the processes of one show find, follow and relieve each other.

They come first in the deck, so that a host can read them before it knows what else is in it.
Each is one aligned word with one writer at a time, so it is never seen half written.
"""

from __future__ import annotations

from enum import IntEnum, unique

LAYOUT = 1  # of this table


@unique
class Word(IntEnum):
    """The place of each. Times are host time in nanoseconds, processes are process numbers."""

    LAYOUT = 0  # by whoever makes the deck
    ENGINE = 1  # the process that plays, or gets ready to
    HOST = 2  # the host that has taken over; the first one is known by its pipe
    FORSAKEN = 3  # 1 while the engine knows of no host; a host that takes over writes 0
    ALIVE_NS = 4  # the engine's main thread, while it has no pipe to its host
    LEAVE = 5  # 1: an engine that has no pipe to its host shall leave, or does
    OWED = 6  # ports that must be brought up to date since the engine was replaced
    SENDER = 7  # see `drivers.relief`: process, turn, and the last turn that is over
    SENDER_TURN = 8
    SENDER_LEFT = 9
    RECEIVER = 10
    RECEIVER_TURN = 11
    RECEIVER_LEFT = 12
    RECEIVER_LEFT_NS = 13
    STAYS = 14  # 1: whoever is needed to play on stays when its host is gone
    BEACON = 15
    BEACON_TURN = 16
    BEACON_LEFT = 17


WORDS_BYTES = 8 * 64  # with room for more
