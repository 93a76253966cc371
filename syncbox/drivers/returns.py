"""Which ports have come back, so that the engine brings them up to date."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from syncbox.drivers.hostside import PortState
from syncbox.engine.returning import NOT_KNOWN, Refresh, refresh
from syncbox.engine.transport import Command, packed


class Returns:
    """Watches port states; says what the engine must be told. A port that never left is left alone.

    The first connection counts as a return too: what the engine sent before went nowhere. The
    engine is told since when a port has been there, and knows what that port has missed.
    """

    def __init__(self, port_count: int) -> None:
        self._seen = [0] * port_count  # returns that the engine knows of
        self._connected: list[frozenset[str]] = [frozenset()] * port_count
        self._at_death: list[frozenset[str]] = [frozenset()] * port_count
        self._owed = [False] * port_count  # the engine was away

    def commands(self, states: Sequence[PortState], frame_at: Callable[[int], int]) -> list[int]:
        """Commands for the engine after a look at the ports.

        `frame_at` gives the engine's frame at a host time, rather too late than too early.
        """
        found = []
        for port, state in enumerate(states):
            kind, since = self._kind(port, state), NOT_KNOWN
            self._connected[port] = frozenset(state.connected_to)
            if kind is None:
                continue
            if state.since_ns and not self._owed[port]:
                since = max(0, frame_at(state.since_ns))
            self._owed[port] = False
            found.append(packed(Command.REFRESH_PORT, refresh(port, kind, since)))
        return found

    def _kind(self, port: int, state: PortState) -> Refresh | None:
        came, self._seen[port] = state.returns > self._seen[port], state.returns
        if self._owed[port]:
            if state.missing:
                return None
            known = self._at_death[port].issuperset(state.connected_to)
            return Refresh.MISSED if known else Refresh.WHOLE
        if not came or not state.connected_to:
            return None
        return Refresh.SETTINGS if state.beside else Refresh.WHOLE

    def engine_was_away(self) -> None:
        """A new engine plays: what was connected to the old one has missed something."""
        self._at_death = self._connected
        self._connected = [frozenset()] * len(self._connected)
        self._owed = [True] * len(self._connected)

    @property
    def owed(self) -> int:
        """Ports that still wait for what they have missed then, a bit each."""
        return sum(1 << port for port, owed in enumerate(self._owed) if owed)

    def take_over(self, states: Sequence[PortState], owed: int) -> None:
        """Another host has looked after the ports until now: what is connected is nothing new."""
        self._connected = [frozenset(state.connected_to) for state in states]
        self._at_death = self._connected
        self._owed = [bool(owed >> port & 1) for port in range(len(states))]
