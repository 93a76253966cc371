"""What hands and feet do to sounds: pads that start one, pedals that colour one.

Numbers are those on the wire: notes and controllers from 0 to 127.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import Enum

from syncbox.score.controls import Sign, Touch
from syncbox.score.song import Place


class PadStart(Enum):
    """When a pad's sound begins after the stroke."""

    NOW = "now"
    NEXT_BEAT = "next beat"
    NEXT_BAR = "next bar"


@dataclass(frozen=True, slots=True)
class Pad:
    """A sound file under a pad or key. `source` is its fader's name in the listener mixes.

    A stroke ends whatever else sounds in the choke group. With a fixed touch every
    stroke counts as `fixed`. In a song `port` and `sign` may be missing (empty, None):
    then they are those of the rig's pad of the same name.
    """

    name: str
    file: str
    source: str
    port: str = ""
    sign: Sign | None = None
    gain_db: float = 0.0
    choke: str = ""
    touch: Touch = Touch.PLAIN
    fixed: int = 127
    start: PadStart = PadStart.NOW
    place: Place = field(default=Place(), compare=False)


def pads_in_force(rig_pads: Iterable[Pad], song_pads: Iterable[Pad]) -> tuple[Pad, ...]:
    """The pads of a song: its own, which replace those of the rig with the same name."""
    pads = {pad.name: pad for pad in rig_pads}
    for pad in song_pads:
        of_rig = pads.get(pad.name)
        if of_rig is not None:
            pad = replace(  # noqa: PLW2901  the same pad, made whole
                pad, port=pad.port or of_rig.port, sign=pad.sign or of_rig.sign
            )
        pads[pad.name] = pad
    return tuple(pads.values())


class Curve(Enum):
    """Where on a pedal's way most of the change happens."""

    EVEN = "even"
    LATE = "late"  # little at first
    EARLY = "early"  # much at first


@dataclass(frozen=True, slots=True)
class Setting:
    """A value of a filter: fixed (`low` and `high` are equal), or moved by a controller.

    Controller 0 gives `low`, 127 gives `high`. Before any message it is
    `rest`, one of the two.
    """

    low: float
    high: float
    rest: float
    curve: Curve = Curve.EVEN
    port: str = ""
    sign: Sign | None = None


@dataclass(frozen=True, slots=True)
class Filter:
    """A low-pass and a level on one source: cutoff in Hz, resonance 0 to 1, level in dB."""

    source: str
    cutoff: Setting
    resonance: Setting = Setting(0.0, 0.0, 0.0)
    level: Setting = Setting(0.0, 0.0, 0.0)
    place: Place = field(default=Place(), compare=False)

    @property
    def settings(self) -> tuple[Setting, Setting, Setting]:
        """Cutoff, resonance and level."""
        return self.cutoff, self.resonance, self.level
