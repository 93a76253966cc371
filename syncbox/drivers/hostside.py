"""What a driver does in the host process: ports looked after, hush when all else fails."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

from syncbox.score.rig import Rig


@dataclass(frozen=True, slots=True)
class PortState:
    """One MIDI port or input of the rig. `connected_to` names the system's ports."""

    name: str
    connected_to: tuple[str, ...]
    recorded_only: bool = False  # no MIDI leaves the computer with this driver
    returns: int = 0  # how often something was connected to it that had not been
    beside: bool = False  # whether something else was connected when that happened last
    since_ns: int = 0  # host time by which that was so for certain; 0: not known

    @property
    def missing(self) -> bool:
        return not self.connected_to and not self.recorded_only

    def connected_now(self, names: tuple[str, ...], at_ns: int = 0) -> PortState:
        """The same port after a look, at a host time, at what it is connected to."""
        before = frozenset(self.connected_to)
        if before.issuperset(names):
            return replace(self, connected_to=names)
        beside = not before.isdisjoint(names)
        returns = self.returns + 1
        return replace(self, connected_to=names, returns=returns, beside=beside, since_ns=at_ns)


class HostSide(Protocol):
    """A driver's helper in the host process. Called by the session's own thread, one at a time."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What a musician should know about this driver tonight."""

    def engine_is_ready(self, client: str) -> None:
        """The engine runs and calls itself `client` towards the audio system."""

    def engine_is_adopted(self, client: str) -> None:
        """Instead: it has been playing for another host. What it is connected to is nothing new."""

    def engine_is_back(self, client: str) -> None:
        """Another engine has taken over, after the audio system or the engine was away."""

    def tend(self) -> None:
        """A few times a second: connect what came back, notice what went."""

    def port_states(self) -> tuple[PortState, ...]:
        """Of the rig's ports, then of its inputs, in order, as of the last `tend`."""

    def hush(self) -> None:
        """The engine is gone: Stop and the silencing messages to every port."""

    def close(self) -> None:
        """Let go of everything, after the engine has left."""


class NoPorts:
    """The host's side of a driver that sends no MIDI out of the computer."""

    notes: tuple[str, ...] = ("No MIDI leaves the computer: events are only recorded.",)

    def __init__(self, rig: Rig) -> None:
        self._states = tuple(PortState(port.name, (), recorded_only=True) for port in rig.ports)

    def engine_is_ready(self, client: str) -> None:
        pass

    def engine_is_adopted(self, client: str) -> None:
        pass

    def engine_is_back(self, client: str) -> None:
        pass

    def tend(self) -> None:
        pass

    def port_states(self) -> tuple[PortState, ...]:
        return self._states

    def hush(self) -> None:
        pass

    def close(self) -> None:
        pass
