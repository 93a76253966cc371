"""MIDI ports of the computer, and which of them a rig's pattern means.

Patterns are shell-style (`*`, `?`, `[ab]`) on the whole name, and letters count
the same in either case. Port names carry numbers that change when a cable is
pulled, so a pattern usually ends in `*`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any

from syncbox.midi import messages
from syncbox.score.rig import Rig


@dataclass(frozen=True, slots=True)
class SystemPort:
    """A MIDI port as the system knows it. `other_names` are further names of the same port."""

    name: str
    other_names: tuple[str, ...] = ()

    def fits(self, pattern: str) -> bool:
        """Whether one of its names matches a rig's pattern."""
        wanted = pattern.strip().lower()
        return any(fnmatchcase(name.lower(), wanted) for name in (self.name, *self.other_names))


def matching(ports: Iterable[SystemPort], pattern: str) -> tuple[SystemPort, ...]:
    """The ports that a pattern means, in the system's order."""
    return tuple(port for port in ports if port.fits(pattern))


def jack_ports(client: Any, *, outputs: bool) -> tuple[SystemPort, ...]:
    """MIDI ports of a JACK server that we can send to (`outputs`) or hear from.

    `client` is a jack.Client. The part of a name after the colon counts as a name too,
    and so do the aliases, under which JACK keeps the hardware's own names.
    """
    found = client.get_ports(is_midi=True, is_input=outputs, is_output=not outputs)
    return tuple(
        SystemPort(port.name, (*port.aliases, port.name.partition(":")[2])) for port in found
    )


def rtmidi_ports(midi: Any) -> tuple[SystemPort, ...]:
    """Ports of an rtmidi.MidiOut or MidiIn, which also says which of the two lists it is."""
    return tuple(SystemPort(name) for name in midi.get_ports())


def input_names(rig: Rig) -> tuple[str, ...]:
    """What the rig's inputs are called beside its ports: their names, apart from those of ports."""
    taken = {port.name for port in rig.ports}
    return tuple(f"{name}-in" if name in taken else name for name in rig.input_ports)


def silencing_messages(rig: Rig) -> tuple[tuple[bytes, ...], ...]:
    """Per port of the rig, what ends everything that sounds: Stop, then every used channel."""
    per_port = []
    for port in rig.ports:
        channels = sorted({inst.channel for inst in rig.instruments if inst.port == port.name})
        stop: Sequence[bytes] = (messages.stop(),) if port.start_stop else ()
        quiet = (data for channel in channels for data in messages.panic(channel))
        per_port.append((*stop, *quiet))
    return tuple(per_port)
