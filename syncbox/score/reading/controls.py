"""Controls and zones: from the tables' values to their records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction

from syncbox.score.controls import (
    DEBOUNCE_MS,
    Control,
    ControllerRoute,
    Sign,
    SignKind,
    Touch,
    Zone,
)
from syncbox.score.reading.control_tables import (
    CONTROLLER_MAX,
    JUMPS,
    NOTHING,
    OF_A_MIX,
    OTHERS,
)
from syncbox.score.reading.fields import Found
from syncbox.score.reading.nodes import Node, Scalar
from syncbox.score.reading.numbers import shown
from syncbox.score.reading.report import Report

_NO_SIGN = Sign(SignKind.CONTROLLER, 0, 0)


def build_control(found: Found, report: Report) -> Control:
    """A control as far as it could be read."""
    port: tuple[Node, str] | None = found.get("port", None)
    does: tuple[Node, str] | None = found.get("does", None)
    message: tuple[Node, Sign] | None = found.get("message", None)
    section: tuple[Node, str] | None = found.get("section", None)
    hold: tuple[Node, Fraction] | None = found.get("hold", None)
    latching: bool = found.get("latching", False)
    if does and does[1] in JUMPS and not found.has("section"):
        report.error(found.node, f"'{does[1]}' needs to know where", "add section: and its name")
    if section and does and does[1] not in JUMPS:
        report.error(section[0], f"'section' means nothing for '{does[1]}'", "take it out")
    mix: tuple[Node, str] | None = found.get("mix", None)
    if does and does[1] in OF_A_MIX and not found.has("mix"):
        report.error(found.node, f"'{does[1]}' needs to know which", "add mix: and its name")
    if mix and does and does[1] not in OF_A_MIX:
        report.error(mix[0], f"'mix' means nothing for '{does[1]}'", "take it out")
    if hold and message and message[1].kind is SignKind.PROGRAM:
        report.error(hold[0], "a program change has no length", "take 'hold' out")
    if hold and latching:
        report.error(hold[0], "a latching pedal does not tell how long it is held", "take it out")
    apart: Fraction | None = found.get("apart", None)
    return Control(
        does[1] if does else "",
        port[1] if port else "",
        message[1] if message else _NO_SIGN,
        section[1] if section else "",
        hold[1] if hold else Fraction(0),
        found.get("debounce", DEBOUNCE_MS),
        apart,
        found.get("reversed", False),
        latching,
        mix[1] if mix else "",
        report.place(found.node),
    )


def build_zones(found: Found, report: Report) -> tuple[Zone, ...]:
    """The zones under a file's or a section's `zones`."""
    return tuple(_zone(each, report) for each in found.get("zones", list[Found]()))


def _zone(found: Found, report: Report) -> Zone:
    keyboard: tuple[Node, str] | None = found.get("from", None)
    play: tuple[Node, str] | None = found.get("play", None)
    instrument = play[1] if play else ""
    zone = Zone(
        keyboard[1] if keyboard else "",
        "" if instrument.lower() in NOTHING else instrument,
        place=report.place(play[0] if play else found.node),
    )
    low, high = found.get("keys", (zone.low, zone.high))
    strokes = found.get("velocity", (zone.velocity_low, zone.velocity_high))
    touch, fixed = found.get("touch", (Touch.PLAIN, 0))
    sent = found.get("sent-velocity", (zone.sent_low, zone.sent_high))
    if touch is Touch.FIXED:
        if found.has("sent-velocity"):
            report.error(
                found.at("sent-velocity"), "a fixed touch sends one velocity only", "take it out"
            )
        sent = (fixed, fixed)
    routes, others = _routes(found, report)
    return replace(
        zone,
        channel=found.get("channel", zone.channel),
        low=low,
        high=high,
        transpose=found.get("transpose", zone.transpose),
        velocity_low=strokes[0],
        velocity_high=strokes[1],
        touch=touch,
        sent_low=sent[0],
        sent_high=sent[1],
        pedals=found.get("pedals", zone.pedals),
        controllers=routes,
        others=others,
        bend=found.get("bend", zone.bend),
        pressure=found.get("pressure", zone.pressure),
    )


def _routes(found: Found, report: Report) -> tuple[dict[int, ControllerRoute | None], bool]:
    """What becomes of single controllers, and whether all others get through."""
    written: Mapping[str, tuple[Scalar, tuple[Node, ControllerRoute | bool]]]
    written = found.get("controllers", {})
    routes: dict[int, ControllerRoute | None] = {}
    others = True
    for key, (key_node, (node, route)) in written.items():
        if key == OTHERS:
            if not isinstance(route, bool):
                report.error(node, "'others' is yes or no", "write others: off")
            else:
                others = route
        elif not key.isascii() or not key.isdigit() or not 1 <= int(key[:4]) <= CONTROLLER_MAX:
            report.error(
                key_node,
                f"{shown(key)} is not a controller",
                f"write its number, 1 to {CONTROLLER_MAX}, or 'others'",
            )
        elif isinstance(route, bool):
            routes[int(key)] = ControllerRoute(int(key)) if route else None
        else:
            routes[int(key)] = route
    return routes, others
