"""What a reading says to a band, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from syncbox.rehearsal.reading import BarRow, SectionRow, SlipRow, TakeReading
from syncbox.rehearsal.thresholds import TEMPO_SHARE, scatter_word

_NOTICED = TEMPO_SHARE / 2
_BETTER = 0.01  # of the tempo: less is not worth a word
_SCATTER = {
    "cannot be heard": "too little to be heard",
    "tight": "tight",
    "in between": "neither tight nor loose",
    "loose": "loose",
}
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")


def summary(found: TakeReading) -> list[str]:
    """The take in a few sentences, the most useful first."""
    first = [found.lock_doubt] if found.lock_doubt else []
    if found.more_like:
        first.append(f"it is more like another song of the show: {found.more_like}")
    if not found.found:
        return [*found.notes, *first]
    lines = [*first, *_slips(found), *_tempo(found), _tightness(found), _latency(found)]
    return [line for line in (*lines, *found.notes) if line]


def signed(share: float) -> str:
    """A tempo against the map: `+2.1 %` is faster."""
    return f"{round(100 * share, 1) + 0.0:+.1f} %"


def _slips(found: TakeReading) -> list[str]:
    lines = [f"{_bars(row)} left out{_why(row)}" for row in found.missing_bars]
    return lines + [f"{_bars(row)} played once more{_why(row)}" for row in found.extra_bars]


def _bars(row: SlipRow) -> str:
    """Which bars, as exactly as the sound can tell."""
    count = len(row.bars)
    if row.certain and count == 1:
        return f"{row.section}: bar {row.bars[0]} was"
    if row.certain:
        return f"{row.section}: bars {row.bars[0]} to {row.bars[-1]} were"
    if count == 1:
        return f"{row.section}: one of bars {row.from_bar} to {row.to_bar} was"
    return f"{row.section}: {count} of bars {row.from_bar} to {row.to_bar} were"


def _why(row: SlipRow) -> str:
    return "" if row.certain else " (they sound alike)"


def _tempo(found: TakeReading) -> list[str]:
    told = [s for s in found.sections if s.tempo_share is not None]
    if not told:
        return ["the sound cannot tell the tempo"]
    whole = _whole(found, told)
    if whole:
        return [whole]
    lines, before = [], 0.0
    for section in told:
        share = section.tempo_share or 0.0
        if abs(share) >= _NOTICED:
            share, since = _since(section, found.bars)
            way = "pulls ahead" if share > 0 else "drags"
            lines.append(f"{name(section)} {way} by {_shown(share)}{since}")
        elif abs(before) >= _NOTICED:
            lines.append(f"{name(section)} is back at the map's tempo")
        before = share
    return lines or ["no section strays from the map's tempo so far that it could be heard"]


def _whole(found: TakeReading, told: Sequence[SectionRow]) -> str:
    """One sentence for a take that is faster or slower than the map all through."""
    shares = [section.tempo_share or 0.0 for section in told]
    one_way = min(shares) >= _NOTICED or max(shares) <= -_NOTICED
    if len(told) < 2 or len(told) < len(found.sections) or not one_way:
        return ""
    if max(shares) - min(shares) > _NOTICED:
        return ""
    middle = float(np.mean(shares))
    return f"the whole take is {_shown(middle)} {'faster' if middle > 0 else 'slower'} than the map"


def _shown(share: float) -> str:
    return f"{abs(share):.1%}".replace("%", " %")


def name(section: SectionRow) -> str:
    """A section with its bars, as a sentence begins."""
    return f"{section.section} (bars {section.first_bar} to {section.last_bar})"


def _since(section: SectionRow, bars: Sequence[BarRow]) -> tuple[float, str]:
    """How far the tempo of a section strays, and from which of its bars on, if not the first."""
    whole = section.tempo_share or 0.0
    own = [b for b in bars[section.first_row : section.end_row] if b.tempo]
    shares = np.array([(b.tempo or 0) / b.map_tempo - 1 for b in own])
    beyond = shares / (whole / 2) > 1
    steps = [
        (abs(float(np.mean(shares[n:]) - np.mean(shares[:n]))), n)
        for n in range(1, min(len(own), len(_ORDINALS)))
        if not any(beyond[:n]) and np.mean(beyond[n:]) > 0.7
    ]
    step, n = max(steps, default=(0.0, 0))
    if step < _NOTICED:
        return whole, ""
    return float(np.mean(shares[n:])), f" from its {_ORDINALS[n]} bar"


def _tightness(found: TakeReading) -> str:
    stray = [b.late_ms - b.smooth_ms for b in found.beats if b.confidence > 0.8]
    if len(stray) < 8:
        return "too few beats are sure enough to say how tight the playing is"
    times = [b.played_s for b in found.beats]
    gap_ms = float(np.median(np.diff(times))) * 1000
    scatter = float(np.std(stray))
    word = scatter_word(scatter, gap_ms)
    return f"beats scatter by {scatter:.0f} ms round the band's own course: {_SCATTER[word]}"


def _latency(found: TakeReading) -> str:
    """What all beats have in common, where the take's place on the map was told."""
    if found.latency_ms is None:
        return ""
    if abs(found.latency_ms) < 1:
        return "all beats together lie on the map to the millisecond"
    way = "behind" if found.latency_ms > 0 else "ahead of"
    return (
        f"all beats together lie {abs(found.latency_ms):.0f} ms {way} the map: the delay of the "
        "recording, and how far the band lies back; it is taken out"
    )


def compare_weeks(takes: Sequence[tuple[str, TakeReading]]) -> list[str]:
    """Each section over several takes of one song, in their order: is it getting better?"""
    table: dict[tuple[str, int, int], list[tuple[str, float]]] = {}
    for label, found in takes:
        for section in found.sections:
            if section.tempo_share is not None:
                key = (section.section, section.pass_no, section.first_bar)
                table.setdefault(key, []).append((label, section.tempo_share))
    lines = []
    for (part, _, first), shares in table.items():
        if len(shares) > 1:
            values = ", ".join(f"{label} {signed(share)}" for label, share in shares)
            nearer = abs(shares[-1][1]) < abs(shares[0][1]) - _BETTER
            farther = abs(shares[-1][1]) > abs(shares[0][1]) + _BETTER
            word = (
                "nearer the map" if nearer else "further from the map" if farther else "as before"
            )
            lines.append(f"{part} from bar {first}: {values}: {word}")
    return ["tempo against the map (+ is faster), take by take:", *lines] if lines else []
