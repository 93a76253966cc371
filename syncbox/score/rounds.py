"""Part of a song over and over, for rehearsal: the rounds as steps, each with its own count-in.

Speed scales the whole tempo map, so steps, ramps and modulations keep their shape, and
stems and loops are as much slower or faster at their own pitch. A round begins with
everything that holds where it starts, so that the patches are right also after a round
that ended on others.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from syncbox.errors import ShowError
from syncbox.score.layout import Leg, LegKind, Route, Step, count_leg, lay_out, usual_path
from syncbox.score.song import (
    At,
    AudioKind,
    Click,
    ClickBeats,
    ControllerSend,
    FitWay,
    Happening,
    Item,
    PatchChange,
    PlayAudio,
    Song,
)
from syncbox.score.tempo import RampCurve, Segment, TempoMap
from syncbox.score.written import PlacedItem


@dataclass(frozen=True, slots=True)
class Practice:
    """What is to be practised: sections by name (or the whole song), how often, how fast.

    `speed` is a factor on the tempo, `raise_by` is added to it from round to round.
    With `click_on` and `click_off` the click plays so many bars and is silent for so
    many, over and over; 0 for either means that it always plays.
    """

    first_section: str = ""
    last_section: str = ""
    times: int = 1
    speed: Fraction = Fraction(1)
    raise_by: Fraction = Fraction(0)
    click_on: int = 0
    click_off: int = 0


def practice_steps(song: Song, practice: Practice) -> tuple[Step, ...]:
    """Every leg of every round. Ticks are the song's own, seconds run on from round to round.

    Raises ShowError for a section that the song does not have.
    """
    route = lay_out(song)
    first, last = _range(route, practice)
    original = {step.leg.index: step for step in usual_path(route) if step.round == 1}
    music = [original[leg.index] for leg in route.legs if first <= leg.section_index <= last]
    held = _held_before(route, music[0].leg)
    steps: list[Step] = []
    seconds = Fraction(0)
    for round_no in range(practice.times):
        factor = practice.speed + practice.raise_by * round_no
        for step in _one_round(song, music, factor, held, practice):
            leg = replace(step.leg, index=len(steps))
            steps.append(Step(leg, 1, step.start_tick, seconds))
            seconds += leg.duration_s * leg.usual_rounds
    return tuple(steps)


def _range(route: Route, practice: Practice) -> tuple[int, int]:
    sections = route.song.sections
    first = _find(route.song, practice.first_section) if practice.first_section else 0
    last_name = practice.last_section or practice.first_section
    last = _find(route.song, last_name) if last_name else len(sections) - 1
    if last < first:
        raise ShowError(
            f"{sections[last].name} comes before {sections[first].name}",
            hint="give the earlier section first",
        )
    return first, last


def _find(song: Song, name: str) -> int:
    for index, section in enumerate(song.sections):
        if section.name.casefold() == name.strip().casefold():
            return index
    names = ", ".join(dict.fromkeys(section.name for section in song.sections))
    raise ShowError(f"{song.title} has no section {name!r}", hint=f"there are {names}")


def _held_before(route: Route, first: Leg) -> list[Happening]:
    """The patches and controllers in force where a leg begins, set before it."""
    held: dict[object, Happening] = {}
    for leg in route.legs[: first.index]:
        for placed in leg.items:
            match placed.what:
                case PatchChange(instrument, _):
                    held[instrument] = placed.what
                case ControllerSend(instrument, controller, _):
                    held[instrument, controller] = placed.what
                case _:
                    pass
    return list(held.values())


def _one_round(
    song: Song,
    music: Sequence[Step],
    factor: Fraction,
    held: Sequence[Happening],
    practice: Practice,
) -> Iterator[Step]:
    first = music[0].leg
    meter = song.count_in.meter or first.bars[0].meter
    beats = song.count_in.bars * meter.beat_count + song.count_in.beats
    restored = tuple(PlacedItem(0, what, Item(At(), what)) for what in held)
    tempo = first.tempo_map.tempo_at(0) * factor
    if beats:
        count = count_leg(meter, beats, tempo)
        yield Step(
            replace(count, section_index=first.section_index, items=restored), 1, 0, Fraction(0)
        )
    silent_from = _bars_before(music)
    for number, step in enumerate(music):
        items = tuple(_at_speed(placed, factor) for placed in step.leg.items)
        leg = replace(step.leg, tempo_map=scaled(step.leg.tempo_map, factor), items=items)
        if number == 0 and not beats:
            leg = replace(leg, items=(*restored, *leg.items))
        if practice.click_on and practice.click_off:
            leg = _with_silent_bars(leg, practice, silent_from[number])
        yield Step(leg, 1, step.start_tick, Fraction(0))


def _at_speed(placed: PlacedItem, factor: Fraction) -> PlacedItem:
    """Stems and loops keep time with the bars; what is fitted to them does anyway."""
    what = placed.what
    if not isinstance(what, PlayAudio) or what.kind is AudioKind.ONE_SHOT:
        return placed
    return (
        placed if what.fit is not FitWay.OFF else replace(placed, what=replace(what, speed=factor))
    )


def scaled(tempo_map: TempoMap, factor: Fraction) -> TempoMap:
    """The same map with every tempo multiplied."""
    return TempoMap(
        Segment(
            segment.start_tick,
            segment.ticks,
            segment.tempo_qpm * factor,
            segment.curve and _scaled_curve(segment.curve, factor),
            segment.curve_tick,
        )
        for segment in tempo_map.segments
    )


def _scaled_curve(curve: RampCurve, factor: Fraction) -> RampCurve:
    return replace(curve, from_qpm=curve.from_qpm * factor, to_qpm=curve.to_qpm * factor)


def _bars_before(music: Sequence[Step]) -> list[int]:
    """How many bars of its section were played in passes before each step's own.

    Two bars that come four times are eight bars to a band that counts them.
    """
    before: list[int] = []
    section, played, last = -1, 0, 0
    for leg in (step.leg for step in music):
        bars = [bar.section_bar for bar in leg.bars]
        if leg.section_index != section:
            section, played = leg.section_index, 0
        elif bars and bars[0] <= last:  # another pass, and not the rest of a long one
            played += last
        before.append(played)
        last = bars[-1] if bars else last
    return before


def _with_silent_bars(leg: Leg, practice: Practice, before: int) -> Leg:
    """The click of the leg, silent in every second stretch of bars, counted from the section.

    before: bars of the section in passes before this one.
    """
    if leg.kind is not LegKind.SECTION:
        return leg
    clicks = [placed for placed in leg.items if isinstance(placed.what, Click)]
    others = [placed for placed in leg.items if not isinstance(placed.what, Click)]
    period = practice.click_on + practice.click_off
    silence = Click(ClickBeats.OFF)
    for bar in leg.bars:
        silent = (before + bar.section_bar - 1) % period >= practice.click_on
        own = [placed.what for placed in clicks if placed.tick <= bar.first_tick]
        what = silence if silent else (own[-1] if own else Click())
        others.append(PlacedItem(bar.first_tick, what, Item(At(), what)))
    return replace(leg, items=tuple(sorted(others, key=lambda placed: placed.tick)))
