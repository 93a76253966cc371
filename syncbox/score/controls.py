"""What hands and feet do: controls that give commands, and zones that make keys sound.

Numbers are those on the wire: notes, controllers and programs from 0 to 127.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from fractions import Fraction

from syncbox.score.song import Place

DEBOUNCE_MS = Fraction(30)


class SignKind(Enum):
    """Which kind of message gives a command."""

    NOTE = "note"
    CONTROLLER = "controller"
    PROGRAM = "program"


@dataclass(frozen=True, slots=True)
class Sign:
    """The message that means a press. `low` to `high` is a run of keys, or one number twice.

    `channel` counts from 1; 0 is any. The wire's numbers, so program 5 of a panel is 4.
    """

    kind: SignKind
    low: int
    high: int
    channel: int = 0


@dataclass(frozen=True, slots=True)
class Control:
    """A footswitch, pad, key or controller that gives a command.

    `section` is where a jump goes, `mix` the mix that is turned. With `hold_ms` only a
    press of that length counts; changes within `debounce_ms` are one; presses closer
    than `apart_ms` are one too (None: what suits the command). `reversed`: it sends 0
    when pressed. `latching`: it sends 127 and 0 in turn, one for each press.
    """

    does: str
    port: str
    sign: Sign
    section: str = ""
    hold_ms: Fraction = Fraction(0)
    debounce_ms: Fraction = DEBOUNCE_MS
    apart_ms: Fraction | None = None
    reversed: bool = False
    latching: bool = False
    mix: str = ""
    place: Place = field(default=Place(), compare=False)


# --- zones -----------------------------------------------------------------------------------


class Touch(Enum):
    """How the strength of a stroke becomes the velocity that is sent."""

    PLAIN = "plain"
    LIGHT = "light"  # a soft stroke is heard more
    HEAVY = "heavy"  # a soft stroke is heard less
    FIXED = "fixed"  # every stroke alike


@dataclass(frozen=True, slots=True)
class ControllerRoute:
    """A controller becomes another: 0 becomes `at_0`, 127 becomes `at_127`, evenly between."""

    number: int
    at_0: int = 0
    at_127: int = 127


@dataclass(frozen=True, slots=True)
class Zone:
    """A part of a keyboard and the instrument that it plays.

    `instrument` is empty for keys that shall be silent. `channel` is the keyboard's,
    from 1; 0 is any. Strokes outside `velocity_low` to `velocity_high` do not sound;
    the others are sent as `sent_low` to `sent_high`, bent by `touch`. `pedals` lists
    the pedals (controllers 64 to 69) that reach the instrument, None all of them.
    `controllers` says what becomes of single controllers (None: blocked), `others`
    whether the rest gets through.
    """

    input: str
    instrument: str
    channel: int = 0
    low: int = 0
    high: int = 127
    transpose: int = 0
    velocity_low: int = 1
    velocity_high: int = 127
    touch: Touch = Touch.PLAIN
    sent_low: int = 1
    sent_high: int = 127
    pedals: frozenset[int] | None = None
    controllers: Mapping[int, ControllerRoute | None] = field(default_factory=dict)
    others: bool = True
    bend: bool = True
    pressure: bool = True
    place: Place = field(default=Place(), compare=False)


def zones_in_force(*written: tuple[Zone, ...]) -> tuple[Zone, ...]:
    """The zones of a section: those of the first text that names a keyboard, for each keyboard.

    `written` goes from the nearest to the farthest: section, song, rig.
    """
    found: list[Zone] = []
    for zones in written:
        done = {zone.input for zone in found}
        found += [zone for zone in zones if zone.input not in done]
    return tuple(found)
