"""Where to come in: a bar or a section of a song, as a person names it."""

from __future__ import annotations

from dataclasses import dataclass

from syncbox.errors import ShowError
from syncbox.score.layout import Leg, LegKind, Route
from syncbox.score.written import Bar


@dataclass(frozen=True, slots=True)
class StartAt:
    """A song of the set (from 0) and a bar number as the timeline counts, or a section's name."""

    set_index: int
    where: str


def find_bar(start: StartAt, route: Route) -> tuple[Leg, Bar]:
    """The leg and bar that a start names. Raises ShowError saying what there is instead."""
    wanted = start.where.strip()
    legs = [leg for leg in route.legs if leg.kind is LegKind.SECTION]
    for leg in legs:
        for bar in leg.bars:
            if not bar.continued and wanted == str(bar.number):
                return leg, bar
    for leg in legs:
        if leg.section.casefold() == wanted.casefold():
            return leg, leg.bars[0]
    names = list(dict.fromkeys(leg.section for leg in legs))
    last = legs[-1].bars[-1].number
    raise ShowError(
        f"{route.song.title} has no section or bar {wanted!r}",
        hint=f"give a bar from 1 to {last}, or one of: {', '.join(names)}",
    )
