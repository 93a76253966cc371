"""Zones as tables: for each section, where every keyboard's messages go."""

from __future__ import annotations

from typing import NamedTuple

from syncbox.score.controls import ControllerRoute, Touch, Zone, zones_in_force
from syncbox.score.rig import Rig
from syncbox.score.song import Section, Song

# What can be passed on beside notes: controllers 0 to 119, then these two.
PRESSURE, BEND = 120, 121
PEDALS = range(64, 70)

Route = tuple[int, bytes]  # the kind that is sent, and its values (empty: as they are)

_BANK = (0, 32)  # bank select: sounds are chosen by the song
_EXPONENT = {Touch.PLAIN: 1.0, Touch.LIGHT: 0.5, Touch.HEAVY: 2.0, Touch.FIXED: 1.0}


class Plan(NamedTuple):
    """One zone, ready for the engine. Channels 0 to 15; `from_channel` -1 is any.

    `velocities` gives the velocity that is sent for each stroke, 0 for one that does
    not sound. `routes` has one entry for each controller, for pressure and for bend,
    None where it is blocked. `pedal_kinds` are those that act as pedals.
    """

    port: int
    channel: int
    from_channel: int
    low: int
    high: int
    transpose: int
    velocities: bytes
    routes: tuple[Route | None, ...]
    pedal_kinds: tuple[int, ...]


ZoneTable = tuple[tuple[Plan, ...], ...]  # the plans of each input, in the rig's order


def section_zones(song: Song, rig: Rig) -> tuple[ZoneTable, ...]:
    """For each section of a song its table; equal tables are one object."""
    kept: dict[ZoneTable, ZoneTable] = {}
    tables = (_table(section, song, rig) for section in song.sections)
    return tuple(kept.setdefault(table, table) for table in tables)


def _table(section: Section, song: Song, rig: Rig) -> ZoneTable:
    zones = zones_in_force(section.zones, song.zones, rig.zones)
    return tuple(
        tuple(_plan(zone, rig) for zone in zones if zone.input == name and zone.instrument)
        for name in rig.input_ports
    )


def _plan(zone: Zone, rig: Rig) -> Plan:
    instrument = rig.instrument(zone.instrument)
    assert instrument is not None, f"{zone.instrument} is not in the rig; check reports it"
    port = next(i for i, port in enumerate(rig.ports) if port.name == instrument.port)
    routes = (
        *(_route(zone, number) for number in range(PRESSURE)),
        _plain(PRESSURE, on=zone.pressure),
        _plain(BEND, on=zone.bend),
    )
    return Plan(
        port,
        instrument.channel - 1,
        zone.channel - 1,
        zone.low,
        zone.high,
        zone.transpose,
        bytes(_velocity(zone, stroke) for stroke in range(128)),
        routes,
        tuple(kind for kind, route in enumerate(routes) if route and route[0] in PEDALS),
    )


def _velocity(zone: Zone, stroke: int) -> int:
    """The velocity sent for a stroke of 1 to 127, 0 where the zone does not sound."""
    low, high = zone.velocity_low, zone.velocity_high
    if not max(1, low) <= stroke <= high:
        return 0
    part = (stroke - low) / (high - low) if high > low else 1.0
    curved: float = part ** _EXPONENT[zone.touch]
    return round(zone.sent_low + (zone.sent_high - zone.sent_low) * curved)


def _plain(kind: int, *, on: bool) -> Route | None:
    return (kind, b"") if on else None


def _route(zone: Zone, number: int) -> Route | None:
    if number in _BANK:
        return None
    pedal = number in PEDALS
    if pedal and zone.pedals is not None and number not in zone.pedals:
        return None
    if number in zone.controllers:
        route = zone.controllers[number]
        return None if route is None else (route.number, _scale(route))
    return _plain(number, on=zone.others or pedal)


def _scale(route: ControllerRoute) -> bytes:
    if (route.at_0, route.at_127) == (0, 127):
        return b""
    return bytes(
        round(route.at_0 + (route.at_127 - route.at_0) * value / 127) for value in range(128)
    )
