"""A simpler map that the takes would rather have: as few changes as earn their keep.

Criterion: the Bayesian information criterion, n ln(RSS / n) + k ln n, over the bars that
were heard (G. Schwarz, Estimating the dimension of a model, Annals of Statistics 6, 1978).
Every tempo that a map adds must lower it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from syncbox.rehearsal.onsets import Floats
from syncbox.rehearsal.reading import TakeReading
from syncbox.score.rig import TempoTrim
from syncbox.score.song import At, Modulation, Ramp, Section, Song, TempoStep

SONG = -1  # where a section's number stands: the song's own tempo
_NO_TRIM = TempoTrim()
_BAR_SCATTER = 0.004  # a bar's tempo is not known better than this
_BEGIN = 0.35  # of a section: its first bars
_WORTH_SHARE = 0.008  # smaller changes of tempo are left alone


@dataclass(frozen=True, slots=True)
class Unit:
    """The note that a tempo counts, as it is written, and its length in quarters."""

    name: str
    quarters: Fraction

    def tempo(self, tempo_qpm: Fraction) -> str:
        """A tempo in this note: `eighth = 180`."""
        number = f"{float(tempo_qpm / self.quarters):.4f}".rstrip("0").removesuffix(".")
        return f"{self.name} = {number}"

    def sensible(self, tempo_qpm: Fraction) -> Fraction:
        """A tempo that a person would write in this note, still in quarters a minute."""
        return sensible(tempo_qpm / self.quarters) * self.quarters


QUARTER = Unit("quarter", Fraction(1))


@dataclass(frozen=True, slots=True)
class Change:
    """A new tempo for the song or from a section's begin; ramp_to: at its end.

    The same tempo as before is written where a section must not follow the one before it.
    """

    section: int  # from 0, or SONG
    name: str
    from_qpm: Fraction
    to_qpm: Fraction
    ramp_to_qpm: Fraction | None = None
    unit: Unit = QUARTER


@dataclass(frozen=True, slots=True)
class Proposal:
    """Changes and what they are worth: the criterion before and after."""

    changes: tuple[Change, ...]
    before: float
    after: float
    bars: int
    trimmed: bool = False  # the set list changes the song's tempi; these are the song's own
    following: tuple[str, ...] = ()  # sections that go on from a new tempo before them


def propose(
    song: Song,
    takes: Sequence[TakeReading],
    *,
    units: Mapping[int, Unit] | None = None,
    trim: TempoTrim = _NO_TRIM,
) -> Proposal | None:
    """The best simple map for one or more takes; None where too little was heard.

    `song` is tonight's, with the set list's `trim`; the changes are for the song as it is
    written. units: the notes that its tempi count, by section or SONG; quarters if not told.
    """
    heard = _heard(takes)
    count = sum(len(shares) for _, shares in heard.values())
    if count < 8:
        return None
    free = heard.keys() & _changeable(song)
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
    begins = {n: _begin(*each) for n, each in heard.items()}
    changes, following = _changes(song, fits, whole, units or {}, begins)
    own = tuple(_as_written(each, trim) for each in changes)
    return Proposal(own, before, best, count, trim != _NO_TRIM, tuple(following))


def _begin(place: Floats, shares: Floats) -> float:
    """How a section began, against the map: the mean over its first bars, of a logarithm."""
    first = place <= max(float(place.min()), _BEGIN)
    return float(shares[first].mean())


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


def _changeable(song: Song) -> set[int]:
    """Sections that may have another tempo: of these it is known which one they have now."""
    out, known = set(), True
    for n, section in enumerate(song.sections):
        may = _may_change(section)
        known = may and (known or own_tempo(section) is not None)
        if known:
            out.add(n)
    return out


def own_tempo(section: Section) -> Fraction | None:
    """The tempo written at a section's begin; of several the last one holds."""
    for item in reversed(section.body.items):
        if isinstance(item.what, TempoStep) and item.at == At():
            return item.what.tempo_qpm
    return None


def _changes(
    song: Song,
    fits: Mapping[int, tuple[int, float, float]],
    whole: float,
    units: Mapping[int, Unit],
    begins: Mapping[int, float],
) -> tuple[list[Change], list[str]]:
    """What must be written so that each section gets its tempo and no other one moves.

    A section whose tempi are a person's business goes on from the new tempo before it if it
    was played so (`begins`: how each one began); those are the names.
    """
    changes, following = [], []
    scale = Fraction(float(np.exp(whole))).limit_denominator(10_000)
    old: Fraction | None = song.tempo_qpm  # in force by the map as it is; None: not known here
    now = old
    if whole:
        now = _of(units, SONG).sensible(song.tempo_qpm * scale)
        changes.append(Change(SONG, "the whole song", song.tempo_qpm, now, unit=_of(units, SONG)))
    for n, section in enumerate(song.sections):
        written = own_tempo(section)
        if not _may_change(section):
            if whole:
                return [], []
            if written is None and now != old and old is not None and now is not None:
                if _follows(begins.get(n), float(now / old)):
                    following.append(section.name)
                elif _begins_by_modulation(section):
                    return [], []
                else:
                    changes.append(Change(n, section.name, old, old, unit=_of(units, n)))
            old = now = None
            continue
        old = written if written is not None else old
        if old is None:  # it goes on at the end of a ramp, and stays there
            continue
        _, level, slope = fits.get(n, (0, 0.0, 0.0))
        same = Change(n, section.name, old, old, unit=_of(units, n))
        change = _moved_by(same, whole + level, slope)
        inherited = written is None and change.to_qpm == now
        if not (inherited or change.to_qpm == written) or change.ramp_to_qpm:
            changes.append(change)
        now = change.ramp_to_qpm or change.to_qpm
    return changes, following


def _follows(begin: float | None, ratio: float) -> bool:
    """Whether a section that began so, of a logarithm, fits a tempo moved by a ratio better."""
    return begin is not None and abs(begin - float(np.log(ratio))) < abs(begin)


def _of(units: Mapping[int, Unit], section: int) -> Unit:
    return units.get(section, QUARTER)


def _moved_by(same: Change, level: float, slope: float) -> Change:
    """A tempo moved by a level (of logarithm) at its begin, and a slope until its end."""
    if not (level or slope):
        return same
    old, unit = same.from_qpm, same.unit
    factor = Fraction(float(np.exp(level))).limit_denominator(10_000)
    ramp = None
    if slope:
        end = float(old) * float(np.exp(level + slope))
        ramp = unit.sensible(Fraction(end).limit_denominator(1000))
    return replace(same, to_qpm=unit.sensible(old * factor), ramp_to_qpm=ramp)


def _begins_by_modulation(section: Section) -> bool:
    items = section.body.items
    return any(isinstance(item.what, Modulation) and item.at == At() for item in items)


def _as_written(change: Change, trim: TempoTrim) -> Change:
    """A change of tonight's song as one of the song in its file, which has no trim."""
    if trim == _NO_TRIM:
        return change

    def untrimmed(tempo_qpm: Fraction) -> Fraction:
        return (tempo_qpm - trim.add_qpm) / trim.factor

    old, new = untrimmed(change.from_qpm), untrimmed(change.to_qpm)
    ramp = None if change.ramp_to_qpm is None else change.unit.sensible(
        untrimmed(change.ramp_to_qpm)
    )  # fmt: skip
    new = old if change.to_qpm == change.from_qpm else change.unit.sensible(new)
    return replace(change, from_qpm=old, to_qpm=new, ramp_to_qpm=ramp)


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
        lines.append(f"{change.name}{which}: {_moved(change)}")
    lines += [
        f"{name}: goes on from the new tempo before it, as it was played"
        for name in proposal.following
    ]
    if proposal.trimmed:
        lines.append("these are the tempi of the song's file; the set list's trim stays on top")
    lines.append(
        f"by the Bayesian information criterion over {proposal.bars} bars: "
        f"{proposal.before:.0f} with the map as it is, {proposal.after:.0f} with these changes"
    )
    return lines


def _moved(change: Change) -> str:
    """What becomes of a tempo."""
    old, new = change.unit.tempo(change.from_qpm), change.unit.tempo(change.to_qpm)
    number = new.rpartition(" = ")[2]
    if change.ramp_to_qpm is not None:
        end = change.unit.tempo(change.ramp_to_qpm).rpartition(" = ")[2]
        begin = "" if change.to_qpm == change.from_qpm else f"becomes {number}, "
        return f"{old} {begin}moves to {end} by its end"
    if change.to_qpm == change.from_qpm:
        return f"stays at {old}, which is written there"
    return f"{old} becomes {number}"
