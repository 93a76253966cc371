"""Listener mixes ready for the engine: how loud each side of each source is on each output."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from syncbox.score.rig import CLICK_SOURCE, EVERY_BAR, EVERYTHING_ELSE, OWN_SOURCES, Mix
from syncbox.units import db_to_gain

Side = tuple[float, float]  # a source's left and right side, as factors
CENTRE = 0.0


@dataclass(frozen=True, slots=True)
class MixPlan:
    """One listener mix: output channels from 0, and what each source gives to each of them.

    `gains` has the level of each source as an amplitude factor, `sides[k][source]` the
    factors of its left and right side on `channels[k]`, level included. A mix that is
    `muted` stays silent until someone opens it.
    """

    name: str
    channels: tuple[int, ...]
    gains: tuple[float, ...]
    ceiling: float  # largest absolute sample value
    sides: tuple[tuple[Side, ...], ...]
    muted: bool = False


def click_limits(mixes: Iterable[Mix]) -> tuple[int, ...]:
    """After how many bars the click ends in some mix, ascending."""
    return tuple(sorted({mix.click_bars for mix in mixes} - {EVERY_BAR, 0}))


def click_part(limits: Sequence[int], bar: int) -> str:
    """The source that clicks of a bar belong to: one for each stretch between two limits.

    A mix that wants the click for the first bars only leaves the later parts out.
    """
    passed = [limit for limit in limits if bar > limit]
    return f"{CLICK_SOURCE} after bar {passed[-1]}" if passed else CLICK_SOURCE


def click_parts(limits: Sequence[int]) -> dict[str, int]:
    """Every such source with the number of bars that a mix must want to hear it."""
    ends = [*limits, EVERY_BAR]
    return {
        click_part(limits, begin + 1): end for begin, end in zip((0, *limits), ends, strict=True)
    }


def mix_plan(
    mix: Mix, sources: Sequence[str], single: frozenset[int], parts: dict[str, int]
) -> MixPlan:
    """A mix for the engine. `single` are the sources whose sounds all have one channel.

    A source that a mix does not name is silent there, unless `backing` stands for it.
    `parts` are those of the click.
    """
    gains = tuple(_gain(mix, source, parts) for source in sources)
    channels = tuple(channel - 1 for channel in mix.channels)
    placed = []
    for index, source in enumerate(sources):
        pan = _pan(mix, CLICK_SOURCE if source in parts else source)
        placed.append(_placed(len(channels), pan, single=index in single))
    sides = tuple(
        tuple(
            (gain * there[row][0], gain * there[row][1])
            for gain, there in zip(gains, placed, strict=True)
        )
        for row in range(len(channels))
    )
    return MixPlan(mix.name, channels, gains, db_to_gain(mix.ceiling_db), sides, mix.muted)


def _gain(mix: Mix, source: str, parts: dict[str, int]) -> float:
    if source in parts:
        bars = mix.click_bars
        heard = bars == EVERY_BAR or (parts[source] != EVERY_BAR and parts[source] <= bars)
        return db_to_gain(mix.levels_db.get(CLICK_SOURCE, -math.inf)) if heard else 0.0
    level_db = mix.levels_db.get(source)
    if level_db is None and source not in OWN_SOURCES:
        level_db = mix.levels_db.get(EVERYTHING_ELSE)
    return 0.0 if level_db is None else db_to_gain(level_db)


def _pan(mix: Mix, source: str) -> float:
    """Where a source is in a mix, from -1 (left) to 1 (right)."""
    named = source in mix.levels_db or source in OWN_SOURCES
    return mix.pans.get(source if named else EVERYTHING_ELSE, 0) / 100


def _placed(outputs: int, pan: float, *, single: bool) -> tuple[Side, ...]:
    """What each output hears of a source's two sides; a source of one channel has a left only.

    Constant power: however far to a side a sound is put, the powers of the two outputs
    add up to the same. In the middle each output has the sound as it is, and at an end
    that output has 3 dB more and the other nothing. A stereo sound narrows towards its
    place: at an end both sides meet there.
    """
    if outputs == 1:
        return ((1.0, 0.0),) if single else ((0.5, 0.5),)
    if single:
        if pan == CENTRE:
            return (1.0, 0.0), (1.0, 0.0)
        left, right = _ends(pan)
        return (math.sqrt(2) * left, 0.0), (math.sqrt(2) * right, 0.0)
    of_left, of_right = _ends(2 * max(0.0, pan) - 1), _ends(1 - 2 * max(0.0, -pan))
    return (of_left[0], of_right[0]), (of_left[1], of_right[1])


def _ends(place: float) -> tuple[float, float]:
    """Cosine and sine of a place from -1 (left) to 1 (right): their squares add up to 1."""
    if abs(place) == 1.0:
        return (1.0, 0.0) if place < 0 else (0.0, 1.0)
    angle = (place + 1) * math.pi / 4
    return math.cos(angle), math.sin(angle)
