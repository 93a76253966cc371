"""Where the click falls: beats, subdivisions and swing of a leg, as ticks and voices."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from syncbox.score.layout import Leg, LegKind
from syncbox.score.song import Click, ClickBeats
from syncbox.units import TICKS_PER_QUARTER

ACCENT, BEAT, SUBDIVISION = "accent", "beat", "subdivision"
COUNT_IN_ACCENT, COUNT_IN_BEAT = "count-in accent", "count-in beat"
VOICES = (ACCENT, BEAT, SUBDIVISION, COUNT_IN_ACCENT, COUNT_IN_BEAT)


def leg_clicks(leg: Leg) -> Iterator[tuple[int, str]]:
    """Every click of a leg as (tick, voice), ascending."""
    if leg.kind is LegKind.HOLD:
        return
    if leg.kind is LegKind.COUNT_IN:
        for _bar, beat, tick in leg.beats():
            yield tick, COUNT_IN_ACCENT if beat == 0 else COUNT_IN_BEAT
        return
    changes = [(item.tick, item.what) for item in leg.items if isinstance(item.what, Click)]
    beats = list(leg.beats())
    ends = [tick for _, _, tick in beats[1:]] + [leg.ticks]
    for (_bar, beat, tick), end in zip(beats, ends, strict=True):
        click = _in_force(changes, tick)
        yield from _one_beat(click, beat, tick, end)


def _in_force(changes: Sequence[tuple[int, Click]], tick: int) -> Click:
    past = [click for at, click in changes if at <= tick]
    return past[-1] if past else Click()


def _sounds(click: Click, beat: int) -> bool:
    match click.beats:
        case ClickBeats.OFF:
            return False
        case ClickBeats.HALF_TIME:
            return beat % 2 == 0
        case ClickBeats.DOWNBEATS:
            return beat == 0
        case ClickBeats.CHOSEN:
            return beat + 1 in click.chosen
        case _:
            return True


def _one_beat(click: Click, beat: int, tick: int, end: int) -> Iterator[tuple[int, str]]:
    """The clicks from one felt beat to the next."""
    if _sounds(click, beat):
        yield tick, ACCENT if beat == 0 else BEAT
    inner: dict[int, str] = {}
    if click.subdivision_quarters is not None and click.beats is not ClickBeats.OFF:
        inner = dict.fromkeys(
            _divisions(click, click.subdivision_quarters, end - tick), SUBDIVISION
        )
    if click.beats is ClickBeats.DOUBLE_TIME:
        inner[(end - tick) // 2] = BEAT
    yield from ((tick + at, inner[at]) for at in sorted(inner))


def _divisions(click: Click, quarters: Fraction, beat_ticks: int) -> Iterator[int]:
    """Ticks inside a beat where it is divided; swing moves every second one.

    `click.swing` is the long note's share of a pair of divisions: 2/3 for 2:1.
    """
    step = quarters * TICKS_PER_QUARTER
    index = 1
    while index * step < beat_ticks:
        at = index * step
        if index % 2:
            at = (index - 1) * step + click.swing * 2 * step
        if at < beat_ticks:
            yield round(at)
        index += 1
