"""`--cues`: when the cue comes where nobody presses a key.

A list in the order of the music, vamps and holds each counted for themselves: `4`
leaves a vamp after four rounds, `2.5s` ends a hold after two and a half seconds,
`usual rounds` and `usual hold` take what the song gives, as does the end of the list.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import TYPE_CHECKING

import click

from syncbox.engine.script import CueScript
from syncbox.engine.transport import State
from syncbox.score.layout import Leg, Until

if TYPE_CHECKING:
    from syncbox.drivers.status import Status

_ROUNDS = re.compile(r"([1-9]\d{0,3})( rounds?)?")
_SECONDS = re.compile(r"(\d{1,4}(?:\.\d{1,3})?) ?s")


def read_cues(
    _context: click.Context, parameter: click.Parameter, value: str | None
) -> CueScript | None:
    """An option's text as a script; raises click.BadParameter with what to write instead."""
    if value is None:
        return None
    rounds: list[int | None] = []
    seconds: list[Fraction | None] = []
    for word in value.split(","):
        text = word.strip()
        if found := _ROUNDS.fullmatch(text):
            rounds.append(int(found[1]))
        elif found := _SECONDS.fullmatch(text):
            seconds.append(Fraction(found[1]))
        elif text == "usual rounds":
            rounds.append(None)
        elif text == "usual hold":
            seconds.append(None)
        else:
            raise click.BadParameter(
                f"{text!r} is no cue: write rounds of a vamp (4), seconds of a hold (2.5s), "
                "'usual rounds' or 'usual hold', with commas between them",
                param=parameter,
            )
    return CueScript(tuple(rounds), tuple(seconds))


# The decorator for every command that can press the cue by itself.
cues_option = click.option(
    "--cues",
    callback=read_cues,
    metavar="LIST",
    help="Press the cue by itself: rounds of vamps and seconds of holds in their order, "
    "for example '4, 2.5s'. Where nobody can press it, the song's usual ones are taken.",
)


class Prompter:
    """Says when a script's cue is due in a show that runs, by looking at it now and then."""

    def __init__(self, script: CueScript) -> None:
        self._script = script
        self._vamp = self._hold = -1  # number of the last one met
        self._here: tuple[int, int] | None = None
        self._since_frame = 0

    def due(self, status: Status, leg: Leg) -> bool:
        """Whether the cue is to be pressed now; `leg` is what plays. Look at least each round."""
        now = status.now
        if now.transport not in (State.VAMPING, State.HOLDING) or leg.until is not Until.CUE:
            self._here = None
            return False
        vamps = now.transport == State.VAMPING
        if (now.song_index, now.leg_index) != self._here:
            self._here = (now.song_index, now.leg_index)
            self._since_frame = status.frame
            self._vamp += vamps
            self._hold += not vamps
        if now.cue_pending:
            return False
        if vamps:
            return bool(now.round_no >= self._script.rounds_of(self._vamp, leg.usual_rounds))
        held = Fraction(status.frame - self._since_frame, status.rate)
        return held >= self._script.hold_of(self._hold, leg.hold_seconds)
