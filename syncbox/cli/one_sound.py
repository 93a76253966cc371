"""A song with nothing in it but one sound, for commands that let one be heard."""

from __future__ import annotations

from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING

from syncbox.score.meter import Meter
from syncbox.score.song import (
    At,
    AudioKind,
    Body,
    Click,
    ClickBeats,
    Item,
    PlayAudio,
    Section,
    Song,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def song_of_sound(
    name: str, title: str, sound: NDArray[np.float32], rate: int, kind: AudioKind
) -> Song:
    """Bars of a second each, no click; the sound (channels, n) is called `name`, as its source."""
    play = Item(At(), PlayAudio(name, name, kind))
    return Song(
        name,
        title,
        Fraction(60),
        (Section(name, Body(ceil(sound.shape[1] / rate), (play,))),),
        meter=Meter.of(1, 4),
        click=Click(ClickBeats.OFF),
    )
