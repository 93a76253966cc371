"""Fades of sources: their exact length where they stand, and the faders that they move."""

from __future__ import annotations

from syncbox.schedule.program import FadeTo
from syncbox.score.layout import Leg
from syncbox.score.song import SourceFade
from syncbox.score.written import span_ticks
from syncbox.units import db_to_gain, seconds_per_tick, seconds_to_frames


def fade_to(leg: Leg, tick: int, fade: SourceFade, source: int, rate: int) -> FadeTo:
    """A fade that begins at a tick of a leg; past the leg's end its last tempo goes on."""
    end = leg.ticks if fade.over.to_end else tick + span_ticks(fade.over, leg.bars, tick)
    inside = min(end, leg.ticks)
    seconds = leg.tempo_map.seconds_at(inside) - leg.tempo_map.seconds_at(tick)
    if end > inside:
        seconds += (end - inside) * seconds_per_tick(leg.tempo_map.tempo_at(leg.ticks))
    return FadeTo(source, db_to_gain(fade.level_db), seconds_to_frames(seconds, rate=rate))
