"""Patches: what each panel can show, and what each wire and instrument can do in time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from syncbox.midi.panel import PatchBytes, instrument_patch, patch_bytes
from syncbox.midi.wire import BurstPart, burst_plan, burst_us
from syncbox.score.checks import items
from syncbox.score.layout import Route, usual_path
from syncbox.score.problem import Problem
from syncbox.score.rig import Instrument, MidiPort, Rig
from syncbox.score.song import ControllerSend, Item, PatchChange, Place, Song, SysexSend
from syncbox.score.written import PlacedItem

CONTROLLER_BYTES = 3
ROUNDS_LOOKED_AT = 2  # of a vamp: the first, and one that follows itself


def check_patch_names(rig: Rig) -> Iterator[Problem]:
    """Named patches that the instrument's own panel cannot show."""
    for instrument in rig.instruments:
        for name, text in instrument.patch_names.items():
            try:
                patch_bytes(instrument.panel, text)
            except ValueError as error:
                yield Problem(instrument.place, f"{instrument.name}, patch '{name}': {error}")


def check_patches(song: Song, rig: Rig) -> Iterator[Problem]:
    """Patches of a song that their instruments do not have."""
    for item in items(song):
        if isinstance(item.what, PatchChange):
            yield from check_patch(item.what.instrument, item.what.patch, item.place, rig)


def check_patch(instrument_name: str, patch: str, place: Place, rig: Rig) -> Iterator[Problem]:
    """One patch as written, on one instrument of the rig (an unknown one is passed over)."""
    instrument = rig.instrument(instrument_name)
    if instrument is None:
        return
    try:
        instrument_patch(instrument, patch)
    except ValueError as error:
        yield Problem(place, str(error))


# --- time ----------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Moment:
    """What is sent on one port for one musical moment."""

    port: MidiPort
    at_s: Fraction
    qpm: Fraction
    where: str
    patches: list[tuple[Instrument, PatchBytes, Item]] = field(default_factory=list)
    other_bytes: int = 0
    first: Item | None = None


@dataclass(slots=True)
class _Walk:
    """How far a song was followed, and what each instrument has selected by then."""

    rig: Rig
    selected: dict[str, PatchBytes] = field(default_factory=dict)
    changed_s: dict[str, Fraction] = field(default_factory=dict)
    sent_s: dict[str, Fraction] = field(default_factory=dict)
    reported: set[tuple[Place, str]] = field(default_factory=set)


def check_wires(route: Route, rig: Rig) -> Iterator[Problem]:
    """Moments whose messages cannot all be sent, or whose sounds cannot be loaded, in time.

    Followed along the usual route. What the song begins with is sent before it starts
    and is never late.
    """
    walk = _Walk(rig)
    for step in usual_path(route):
        if step.round > ROUNDS_LOOKED_AT:
            continue
        by_tick: dict[int, list[PlacedItem]] = {}
        for placed in step.leg.items:
            by_tick.setdefault(placed.tick, []).append(placed)
        for tick, placed_here in sorted(by_tick.items()):
            tempo_map = step.leg.tempo_map
            bar = next(
                (b for b in reversed(step.leg.bars) if b.start_tick <= tick), step.leg.bars[0]
            )
            at_s = step.start_s + tempo_map.seconds_at(tick)
            where = f"bar {bar.section_bar} of '{step.leg.section}'"
            yield from _check_moment(
                at_s, tempo_map.fastest_qpm(), where, [p.item for p in placed_here], walk
            )


def _check_moment(
    at_s: Fraction, qpm: Fraction, where: str, here: list[Item], walk: _Walk
) -> Iterator[Problem]:
    moments: dict[str, _Moment] = {}
    for item in here:
        what = item.what
        if not isinstance(what, PatchChange | ControllerSend | SysexSend):
            continue
        instrument = walk.rig.instrument(what.instrument)
        port = None if instrument is None else walk.rig.port(instrument.port)
        if instrument is None or port is None or not port.patches:
            continue
        moment = moments.setdefault(port.name, _Moment(port, at_s, qpm, where))
        _collect(item, instrument, moment, walk)
    for moment in moments.values():
        for problem in _judge(moment, walk):
            kind = (problem.place, problem.what.split(":")[0])
            if kind not in walk.reported:
                walk.reported.add(kind)
                yield problem


def _collect(item: Item, instrument: Instrument, moment: _Moment, walk: _Walk) -> None:
    """Add what one item sends; a patch that is selected already is not sent again."""
    match item.what:
        case PatchChange(patch=text):
            try:
                chosen = instrument_patch(instrument, text)
            except ValueError:
                return  # check_patches reports it
            if walk.selected.get(instrument.name) == chosen:
                return
            walk.selected[instrument.name] = chosen
            moment.patches.append((instrument, chosen, item))
        case SysexSend(data=data):
            moment.other_bytes += len(data)
        case _:
            moment.other_bytes += CONTROLLER_BYTES
    moment.first = moment.first or item


def _judge(moment: _Moment, walk: _Walk) -> Iterator[Problem]:
    """Compare what a moment needs with the time since the moment before it."""
    port = moment.port
    if moment.first is None:
        return
    clock_qpm = moment.qpm if port.clock else None
    byte_count = moment.other_bytes + sum(chosen.byte_count for _, chosen, _ in moment.patches)
    needed_us = burst_us(byte_count, port.wire, clock_qpm, time_code=port.time_code)
    before_s = walk.sent_s.get(port.name)
    walk.sent_s[port.name] = moment.at_s
    late_us = needed_us - float(moment.at_s - before_s) * 1e6 if before_s is not None else 0.0
    if late_us > 0:
        yield Problem(
            moment.first.place,
            f"'{port.name}' cannot send everything for {moment.where} in time: "
            f"{byte_count} bytes take {_ms(needed_us)}, and {_ms(late_us)} of it comes late",
            "send some of it earlier, or move an instrument to another port",
        )
    after_us = burst_us(moment.other_bytes, port.wire, clock_qpm, time_code=port.time_code)
    parts = [
        BurstPart(chosen.byte_count, max(after_us, round(instrument.loading_ms * 1000)))
        for instrument, chosen, _ in moment.patches
    ]
    for lead in burst_plan(parts, port.wire, clock_qpm, time_code=port.time_code):
        instrument, _, item = moment.patches[lead.index]
        changed_s = walk.changed_s.get(instrument.name)
        walk.changed_s[instrument.name] = moment.at_s
        if changed_s is None or late_us > 0:
            continue
        gap_us = float(moment.at_s - changed_s) * 1e6
        if lead.lead_us > gap_us:
            yield Problem(
                item.place,
                f"'{instrument.name}' cannot change in time for {moment.where}: it needs "
                f"{_ms(lead.lead_us)}, and its last patch was wanted only {_ms(gap_us)} before",
                "leave one of the two patches out, or give the music between more time",
            )


def _ms(microseconds: float) -> str:
    return f"{microseconds / 1000:.1f} ms"
