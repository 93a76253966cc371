"""Pads and pedals ready for the engine: clips, faders, curves, and the messages that move them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from syncbox.score.controls import Sign, SignKind, Touch
from syncbox.score.hands import Curve, Filter, Pad, PadStart, Setting
from syncbox.score.rig import Rig
from syncbox.units import db_to_gain

CUTOFF, RESONANCE, LEVEL = range(3)  # what a pedal moves
NO_GROUP = -1

# Strokes by their amplitude: 40 log10(v / 127) dB, the concave transform of a downloadable
# sound's velocity (DLS Level 1, section 1.14; from memory). Light and heavy are ours.
_TOUCH_EXPONENT = {Touch.PLAIN: 2.0, Touch.LIGHT: 1.0, Touch.HEAVY: 3.0}
_CURVE_EXPONENT = {Curve.EVEN: 1.0, Curve.LATE: 2.0, Curve.EARLY: 0.5}


class Meant(NamedTuple):
    """Which messages are meant: of an input of the rig, a kind, a run of numbers, a channel.

    `channel` counts from 0; -1 is any. `status` is 0x90 for notes, 0xB0 for controllers.
    """

    input: int
    status: int
    low: int
    high: int
    channel: int

    def by(self, input_index: int, message: bytes) -> bool:
        """Whether a channel message is one of them."""
        return (
            len(message) > 2
            and input_index == self.input
            and message[0] & 0xF0 == self.status
            and self.low <= message[1] <= self.high
            and self.channel in (-1, message[0] & 0x0F)
        )


class PadPlan(NamedTuple):
    """A pad. `gains` has the factor of each velocity from 0 to 127."""

    name: str
    meant: Meant | None
    clip: int
    source: int
    group: int
    start: PadStart
    gains: tuple[float, ...]


class PedalPlan(NamedTuple):
    """A controller that moves one setting of a filter. `values` is the setting at 0 to 127.

    Cutoff in Hz, resonance 0 to 1, level as an amplitude factor.
    """

    meant: Meant
    filter: int
    moves: int
    values: tuple[float, ...]


class FilterPlan(NamedTuple):
    """A filter on a source with its settings before any pedal has moved."""

    source: int
    cutoff_hz: float
    resonance: float
    gain: float


def meant_by(port: str, sign: Sign | None, rig: Rig) -> Meant | None:
    """The messages of a sign at an input of the rig; None where there is no such input."""
    if sign is None or port not in rig.input_ports or sign.kind is SignKind.PROGRAM:
        return None
    status = 0x90 if sign.kind is SignKind.NOTE else 0xB0
    return Meant(list(rig.input_ports).index(port), status, sign.low, sign.high, sign.channel - 1)


def pad_plan(pad: Pad, rig: Rig, *, clip: int, source: int, group: int) -> PadPlan:
    """A pad for the engine."""
    meant = meant_by(pad.port, pad.sign, rig)
    return PadPlan(pad.name, meant, clip, source, group, pad.start, _strokes(pad))


def _strokes(pad: Pad) -> tuple[float, ...]:
    loudest = db_to_gain(pad.gain_db)
    if pad.touch is Touch.FIXED:
        part = (pad.fixed / 127) ** _TOUCH_EXPONENT[Touch.PLAIN]
        return (loudest * part,) * 128
    exponent = _TOUCH_EXPONENT[pad.touch]
    return tuple(loudest * (stroke / 127) ** exponent for stroke in range(128))


def filter_plans(
    filters: Sequence[Filter], sources: Sequence[str], rig: Rig
) -> tuple[tuple[FilterPlan, ...], tuple[PedalPlan, ...]]:
    """The filters on sources that are played, and the pedals that move them."""
    plans: list[FilterPlan] = []
    pedals: list[PedalPlan] = []
    for written in filters:
        if written.source not in sources:
            continue
        rests = [
            _value(moves, setting, float(setting.rest == setting.high))
            for moves, setting in enumerate(written.settings)
        ]
        plans.append(FilterPlan(list(sources).index(written.source), *rests))
        for moves, setting in enumerate(written.settings):
            meant = meant_by(setting.port, setting.sign, rig)
            if meant is not None:
                exponent = _CURVE_EXPONENT[setting.curve]
                parts = ((position / 127) ** exponent for position in range(128))
                values = tuple(_value(moves, setting, part) for part in parts)
                pedals.append(PedalPlan(meant, len(plans) - 1, moves, values))
    return tuple(plans), tuple(pedals)


def _value(moves: int, setting: Setting, part: float) -> float:
    """A setting between its two ends, even to the ear.

    Cutoff moves by octaves, level by the square root of its factor, so that `off` is
    an end like any other.
    """
    low, high = setting.low, setting.high
    if moves == CUTOFF:
        return low * math.exp(math.log(high / low) * part)
    if moves == RESONANCE:
        return low + (high - low) * part
    begin, end = (math.sqrt(db_to_gain(level_db)) for level_db in (low, high))
    root = begin + (end - begin) * part
    return root * root
