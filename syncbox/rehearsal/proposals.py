"""A simpler map that the takes would rather have: as few changes as earn their keep.

Criterion: the Bayesian information criterion, n ln(RSS / n) + k ln n, over the bars that
were heard (G. Schwarz, Estimating the dimension of a model, Annals of Statistics 6, 1978).
Every tempo that a map adds must lower it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from syncbox.rehearsal.onsets import Floats
from syncbox.rehearsal.reading import TakeReading
from syncbox.score.song import At, Modulation, Ramp, Section, Song, TempoStep

_BAR_SCATTER = 0.004  # a bar's tempo is not known better than this
_WORTH_SHARE = 0.008  # smaller changes of tempo are left alone


@dataclass(frozen=True, slots=True)
class Change:
    """A new tempo for the song (section -1) or from a section's begin; ramp_to: at its end."""

    section: int
    name: str
    from_qpm: Fraction
    to_qpm: Fraction
    ramp_to_qpm: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Proposal:
    """Changes and what they are worth: the criterion before and after."""

    changes: tuple[Change, ...]
    before: float
    after: float
    bars: int


def propose(song: Song, takes: Sequence[TakeReading]) -> Proposal | None:
    """The best simple map for one or more takes; None where too little was heard."""
    heard = _heard(takes)
    count = sum(len(shares) for _, shares in heard.values())
    if count < 8:
        return None
    free = {n for n in heard if _may_change(song.sections[n])}
    fits = dict.fromkeys(heard, (0, 0.0, 0.0))  # parameters, level, slope over the section
    whole = 0.0
    all_shares = np.concatenate([shares for _, shares in heard.values()]) if heard else np.empty(0)
    before = best = _criterion(heard, fits, whole, count)
    common = float(np.median(all_shares))
    if free == set(heard) and _criterion(heard, fits, common, count, more=1) < best:
        whole, best = common, _criterion(heard, fits, common, count, more=1)
    improved = True
    while improved:
        improved = False
        trials = [(n, fit) for n in free for fit in _fits_of(heard[n], whole) if fits[n] != fit]
        scored = [
            (_criterion(heard, fits | {n: fit}, whole, count, more=bool(whole)), n, fit)
            for n, fit in trials
        ]
        if scored and min(scored)[0] < best - 1e-9:
            best, section, fit = min(scored)
            fits[section] = fit
            improved = True
    changes = _changes(song, fits, whole)
    return Proposal(tuple(changes), before, best, count)


def _heard(takes: Sequence[TakeReading]) -> dict[int, tuple[Floats, Floats]]:
    """For each written section: place in it (0..1) and log tempo against the map, of each bar."""
    rows: dict[int, list[tuple[float, float]]] = {}
    for found in takes:
        for part in found.sections:
            index = part.section_index
            bars = [
                b
                for b in found.bars[part.first_row : part.end_row]
                if b.tempo is not None and b.confidence > 0.7
            ]
            length = max(1, part.end_row - part.first_row)
            for n, bar in enumerate(bars):
                share = float(np.log((bar.tempo or 1.0) / bar.map_tempo))
                rows.setdefault(index, []).append(((n + 0.5) / length, share))
    return {
        n: (np.array([r[0] for r in each]), np.array([r[1] for r in each]))
        for n, each in rows.items()
        if len(each) >= 2
    }


def _fits_of(heard: tuple[Floats, Floats], whole: float) -> list[tuple[int, float, float]]:
    """A steady tempo and a ramp for one section, over the song's own change."""
    place, shares = heard
    level = float(np.median(shares)) - whole
    fits = [(1, level, 0.0)]
    if len(shares) >= 4:
        slope, start = np.polyfit(place, shares, 1)
        fits.append((2, float(start) - whole, float(slope)))
    return [fit for fit in fits if max(abs(fit[1]), abs(fit[1] + fit[2])) >= _WORTH_SHARE]


def _criterion(
    heard: dict[int, tuple[Floats, Floats]],
    fits: dict[int, tuple[int, float, float]],
    whole: float,
    count: int,
    more: int = 0,
) -> float:
    total, parameters = count * _BAR_SCATTER**2, int(more)
    for n, (place, shares) in heard.items():
        own, level, slope = fits[n]
        parameters += own
        total += float(((shares - whole - level - slope * place) ** 2).sum())
    return float(count * np.log(total / count) + parameters * np.log(count))


# --- from shares to tempi ----------------------------------------------------------------------


def _may_change(section: Section) -> bool:
    """A section whose tempo is one step at its begin, or none: others are a person's business."""
    bodies = (section.body, *section.endings)
    items = [item for body in bodies for item in body.items]
    if any(isinstance(item.what, Ramp | Modulation) for item in items):
        return False
    steps = [item for item in items if isinstance(item.what, TempoStep)]
    return all(item.at == At() and item in section.body.items for item in steps)


def own_tempo(section: Section) -> Fraction | None:
    """The tempo written at a section's begin."""
    for item in section.body.items:
        if isinstance(item.what, TempoStep) and item.at == At():
            return item.what.tempo_qpm
    return None


def _changes(song: Song, fits: dict[int, tuple[int, float, float]], whole: float) -> list[Change]:
    """What must be written so that each section gets its tempo and no other one moves."""
    changes = []
    scale = Fraction(float(np.exp(whole))).limit_denominator(10_000)
    old = now = song.tempo_qpm
    if whole:
        now = sensible(old * scale)
        changes.append(Change(-1, "the whole song", old, now))
    for n, section in enumerate(song.sections):
        if not _may_change(section):
            return [] if changes and whole else changes
        written = own_tempo(section)
        old = written if written is not None else old
        _, level, slope = fits.get(n, (0, 0.0, 0.0))
        target = old * scale if whole else old
        if level or slope:
            target = old * Fraction(float(np.exp(whole + level))).limit_denominator(10_000)
        if whole or level or slope:
            target = sensible(target)
        inherited = written is None and target == now
        ramp = None
        if slope:
            end = float(old) * float(np.exp(whole + level + slope))
            ramp = sensible(Fraction(end).limit_denominator(1000))
        if not (inherited or target == written) or ramp:
            changes.append(Change(n, section.name, old, target, ramp))
        now = ramp or target
    return changes


def sensible(tempo_qpm: Fraction) -> Fraction:
    """A tempo that a person would write: whole, or to a half where whole is 0.3 % off."""
    whole = Fraction(round(tempo_qpm))
    near = abs(tempo_qpm - whole) / tempo_qpm < Fraction(3, 1000)
    return whole if near else Fraction(round(tempo_qpm * 2), 2)


def sentences(proposal: Proposal | None) -> list[str]:
    """What would change, and why."""
    if proposal is None:
        return ["too little was heard to propose another map"]
    if not proposal.changes:
        return ["the map stands: no simple change earns its keep"]
    lines = []
    names = [change.name for change in proposal.changes]
    for change in proposal.changes:
        which = f", section {change.section + 1}" if names.count(change.name) > 1 else ""
        ramp = f", moving to {float(change.ramp_to_qpm):g}" if change.ramp_to_qpm else ""
        lines.append(
            f"{change.name}{which}: quarter = {float(change.from_qpm):g} becomes "
            f"{float(change.to_qpm):g}{ramp}"
        )
    lines.append(
        f"by the Bayesian information criterion over {proposal.bars} bars: "
        f"{proposal.before:.0f} with the map as it is, {proposal.after:.0f} with these changes"
    )
    return lines
