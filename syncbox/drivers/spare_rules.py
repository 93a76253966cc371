"""Who plays, of two computers with the same show: every rule, and nothing else. Pure.

The first one always sounds: nothing that comes by the network ever silences it. The spare
is silent until one of the rules lets it sound. Times are nanoseconds of the own clock and
come from outside; a word that is old, doubled or out of order changes nothing.

What the spare does:

| it is   | and this happens                                            | then it is         |
| ------- | ----------------------------------------------------------- | ------------------ |
| silent  | a person takes over; no other show is heard                 | playing            |
| silent  | a person takes over; another show is heard, and is alive    | silent, says why   |
| silent  | nothing fresh for `patience_ns`, and it had gone along      | playing, by itself |
| silent  | the same, but it had not gone along, or may not by itself   | silent, says so    |
| silent  | the first said goodbye                                      | silent, says so    |
| silent  | a second first one is heard beside the one it has           | silent, stays      |
| silent  | its own is quiet for `RIVAL_NS`, and another one is heard   | silent, goes there |
| either  | the first one is a spare that has given back                | as it was, alone   |
| playing | the first is heard again                                    | playing, says BOTH |
| playing | a person gives back, and the first is alive                 | silent, goes along |
| playing | a person gives back, and nothing is alive                   | playing, says why  |

Fresh is a word whose newest block is not older than `FRESH_NS`: a first computer whose
network is well but whose engine is dead counts as quiet, too.

What the first one says:

| it hears                                             | it says                          |
| ---------------------------------------------------- | -------------------------------- |
| no spare yet                                         | no spare yet                     |
| a spare that is silent and goes along                | it goes along                    |
| a spare that is silent and does not                  | it is not there yet              |
| a spare with another show, rate or version           | it cannot go along               |
| a spare that has not heard us for `DEAF_NS`          | it does not hear us: it may play |
| nothing for `DEAF_NS`, after it was heard            | nothing heard: it may play       |
| a spare that plays                                   | BOTH                             |
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum, auto

from syncbox.drivers.spare_words import Word
from syncbox.units import NS_PER_SECOND

PATIENCE_NS = 2 * NS_PER_SECOND  # the first one mends a dead engine within 1.5 s by itself
FRESH_NS = NS_PER_SECOND // 2
DEAF_NS = 3 * NS_PER_SECOND // 2
RIVAL_NS = NS_PER_SECOND
_NUMBERED_ANEW = 600  # words, a minute of them: no network lost those
LONG_AGO = -(2**62)


class Misfit(Enum):
    """Why a spare cannot go along with what it hears."""

    NONE = auto()
    SHOW = auto()
    RATE = auto()
    VERSION = auto()


class Refusal(Enum):
    """Why a press changed nothing."""

    OTHER_SHOW = auto()
    NOBODY_ELSE = auto()  # giving back would leave silence


class Situation(Enum):
    """What a spare has to tell the person in front of it."""

    NOTHING_HEARD = auto()  # since the start
    MISFIT = auto()
    CATCHING_UP = auto()
    FOLLOWING = auto()
    QUIET = auto()  # nothing fresh, but not yet for long enough
    SILENT_ALONE = auto()  # for longer, and it does not take over by itself
    LEFT = auto()  # the first one said goodbye
    PLAYING = auto()
    BOTH = auto()  # the first one plays, too
    BOTH_ON = auto()  # the first one is there too, and stopped


class Heard(Enum):
    """What a first computer has to tell of its spare."""

    NO_SPARE = auto()
    GOES_ALONG = auto()
    NOT_YET = auto()
    MISFIT = auto()
    DEAF = auto()
    GONE = auto()
    LEFT = auto()
    BOTH = auto()


@dataclass(frozen=True, slots=True)
class Own:
    """What a computer knows of itself. `run` tells its own packets from others."""

    run: int
    show: int
    sounds: int
    rate: int
    place_version: int
    patience_ns: int = PATIENCE_NS
    by_itself: bool = True  # whether it may take over without a person

    def misfit(self, word: Word) -> Misfit:
        """Whether a place of the other one means the same here."""
        if word.place_version != self.place_version:
            return Misfit.VERSION
        if word.show != self.show:
            return Misfit.SHOW
        return Misfit.RATE if word.rate != self.rate else Misfit.NONE


@dataclass(frozen=True, slots=True)
class Other:
    """What is known of one other computer. Counts are of its words."""

    word: Word
    heard_ns: int
    fresh_ns: int = LONG_AGO  # when its engine was last known to play
    got: int = 1
    missed: int = 0

    def hear(self, word: Word, now_ns: int) -> Other:
        """A further word of the same run; an old one changes nothing."""
        ahead = word.number - self.word.number
        if ahead <= 0:
            return self
        fresh_ns = now_ns if is_fresh(word) else self.fresh_ns
        missed = ahead - 1 if ahead < _NUMBERED_ANEW else 0
        return Other(word, now_ns, fresh_ns, self.got + 1, self.missed + missed)

    @property
    def lost_permille(self) -> int:
        return 1000 * self.missed // (self.got + self.missed)


def is_fresh(word: Word) -> bool:
    """Whether an engine was playing when it said this."""
    return 0 <= word.age_ns <= FRESH_NS


def met(word: Word, now_ns: int) -> Other:
    """A computer is heard for the first time."""
    return Other(word, now_ns, now_ns if is_fresh(word) else LONG_AGO)


# --- the spare --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Spare:
    """A spare computer. Change it only by the functions here."""

    playing: bool = False
    by_itself: bool = False  # it took over without a person
    first: Other | None = None  # whom it goes along with, or did before it took over
    went_along: bool = False  # its engine has been where this first one's is
    rival_ns: int = LONG_AGO  # when a second first computer was heard
    follower: Other | None = None  # a silent one that goes along with us


def spare_hears(spare: Spare, word: Word, now_ns: int, own: Own) -> Spare:
    """A word came."""
    if word.run == own.run:
        return spare
    if not word.playing:
        return _hears_a_silent_one(spare, word, now_ns)
    first = spare.first
    if first is None:
        return replace(spare, first=met(word, now_ns), went_along=False)
    if first.word.run == word.run:
        return replace(spare, first=first.hear(word, now_ns))
    if now_ns - first.heard_ns < RIVAL_NS and not first.word.leaves:
        return replace(spare, rival_ns=now_ns)
    return replace(spare, first=met(word, now_ns), went_along=False)


def _hears_a_silent_one(spare: Spare, word: Word, now_ns: int) -> Spare:
    follower, first = spare.follower, spare.first
    same = follower is not None and follower.word.run == word.run
    heard = follower.hear(word, now_ns) if same and follower else met(word, now_ns)
    was_first = first is not None and first.word.run == word.run
    if was_first and first is not None and word.number > first.word.number:
        return replace(spare, follower=heard, first=None, went_along=False)
    return replace(spare, follower=heard)


def spare_goes_along(spare: Spare) -> Spare:
    """Its engine has taken up a place of the first one's."""
    return spare if spare.playing or spare.went_along else replace(spare, went_along=True)


def spare_waits(spare: Spare, now_ns: int, own: Own) -> Spare:
    """Time passes: it may take over by itself."""
    first = spare.first
    if spare.playing or first is None or not (own.by_itself and spare.went_along):
        return spare
    if first.word.leaves or own.misfit(first.word) is not Misfit.NONE:
        return spare
    if now_ns - first.fresh_ns <= own.patience_ns:
        return spare
    return replace(spare, playing=True, by_itself=True)


def spare_takes_over(spare: Spare, now_ns: int, own: Own) -> Spare | Refusal:
    """A person wants it to sound."""
    if spare.playing:
        return spare
    other = spare.first is not None and own.misfit(spare.first.word) is not Misfit.NONE
    if other and first_is_alive(spare, now_ns):
        return Refusal.OTHER_SHOW
    return replace(spare, playing=True, by_itself=False)


def spare_gives_back(spare: Spare, now_ns: int) -> Spare | Refusal:
    """A person wants it to be silent again."""
    if not spare.playing:
        return spare
    if not first_is_alive(spare, now_ns):
        return Refusal.NOBODY_ELSE
    return replace(spare, playing=False, by_itself=False, went_along=False)


def first_is_alive(spare: Spare, now_ns: int) -> bool:
    """Whether the first one was playing, or ready to, a moment ago."""
    first = spare.first
    return first is not None and not first.word.leaves and now_ns - first.fresh_ns <= FRESH_NS * 2


def situation_of(spare: Spare, now_ns: int, own: Own, *, still: bool) -> Situation:
    """What to tell. `still`: nothing plays at the first one, by its last word."""
    alive = first_is_alive(spare, now_ns)
    if spare.playing:
        both = Situation.BOTH_ON if still else Situation.BOTH
        return both if alive else Situation.PLAYING
    if spare.first is None:
        return Situation.NOTHING_HEARD
    if spare.first.word.leaves:
        return Situation.LEFT
    if own.misfit(spare.first.word) is not Misfit.NONE:
        return Situation.MISFIT
    if alive:
        return Situation.FOLLOWING if spare.went_along else Situation.CATCHING_UP
    over = now_ns - spare.first.fresh_ns > own.patience_ns
    waits = own.by_itself and spare.went_along
    return Situation.QUIET if waits or not over else Situation.SILENT_ALONE


# --- the first one ----------------------------------------------------------------------------


def first_hears(spare: Other | None, word: Word, now_ns: int, own: Own) -> Other | None:
    """A word came to the first computer. What it knows of its spare."""
    if word.run == own.run:
        return spare
    if spare is None:
        return met(word, now_ns)
    if word.run == spare.word.run:
        return spare.hear(word, now_ns)
    # One that plays is never hidden behind one that is silent.
    settled = spare.word.playing and not word.playing
    if settled and now_ns - spare.heard_ns < RIVAL_NS and not spare.word.leaves:
        return spare
    return met(word, now_ns)


def heard_of_spare(spare: Other | None, now_ns: int, own: Own) -> Heard:
    """What the first computer has to tell of its spare."""
    if spare is None:
        return Heard.NO_SPARE
    word, near = spare.word, now_ns - spare.heard_ns <= DEAF_NS
    if word.leaves:
        return Heard.LEFT
    if not near:
        return Heard.GONE
    return Heard.BOTH if word.playing else _of_a_silent_one(word, own)


def _of_a_silent_one(word: Word, own: Own) -> Heard:
    if own.misfit(word) is not Misfit.NONE:
        return Heard.MISFIT
    if word.hears_ns > DEAF_NS:
        return Heard.DEAF
    return Heard.GOES_ALONG if word.goes_along and word.hears_ns >= 0 else Heard.NOT_YET
