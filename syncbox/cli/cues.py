"""`--cues`: when the cue comes where nobody presses a key.

A list in the order of the music, vamps and holds each counted for themselves: `4`
leaves a vamp after four rounds, `2.5s` ends a hold after two and a half seconds,
`usual rounds` and `usual hold` take what the song gives, as does the end of the list.
"""

from __future__ import annotations

import re
from fractions import Fraction

import click

from syncbox.engine.script import CueScript

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
