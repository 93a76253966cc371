"""Keys to instruments: notes and controllers of the keyboards, by the zones in force.

Theory of operation. A note off goes where its note on went, whatever the zones say by
then, so each key that is down remembers its targets. Two keys may mean one note of an
instrument: then the second stroke ends the first, and the note ends with the last key,
so that every note on has exactly one note off. What rests at a value (pedals, bend,
modulation, pressure) is remembered in the same way: when it comes back to rest, that
is told to every target that ever heard of it. A pedal that is down when the zones
change reaches a new instrument with its first note.
"""

from __future__ import annotations

from collections.abc import Callable

from syncbox.schedule.zones import BEND, PEDALS, PRESSURE, Plan, Route, ZoneTable

Send = Callable[[int, bytes], None]  # port, one whole message
Source = tuple[int, int, int]  # input, its channel, and a kind of controller
Target = tuple[int, int, int]  # port, channel, and a note or a kind of controller

_MODULATION = 1
_RESTING = frozenset((_MODULATION, *PEDALS, PRESSURE, BEND))
_BEND_REST = 0x2000
_ALL_SOUND_OFF, _ALL_NOTES_OFF = 120, 123


class Router:
    """What is held on every keyboard. `send` is called for each message, in order."""

    def __init__(self, input_count: int, send: Send) -> None:
        self._send = send
        self._held: list[dict[int, tuple[Target, ...]]] = [{} for _ in range(input_count)]
        self._sounding: dict[Target, int] = {}  # how many keys hold a note
        self._away: dict[Source, dict[Target, Route]] = {}  # what each took away from rest
        self._pulls: dict[Target, int] = {}  # how many sources hold a target away from rest
        self._values: dict[Source, int] = {}  # as last heard

    def take(self, table: ZoneTable, source: int, message: bytes) -> None:
        """One whole channel message of an input, under the zones in force."""
        status, channel = message[0] & 0xF0, message[0] & 0x0F
        plans = table[source]
        if status == 0x90 and message[2]:
            self._note_on(plans, source, channel, message[1], message[2])
        elif status in (0x80, 0x90):
            velocity = message[2] if status == 0x80 else 64
            self._note_off(source, channel, message[1], velocity)
        elif status == 0xA0:
            self._key_pressure(plans, source, message)
        elif status == 0xB0:
            self._controller(plans, source, channel, message[1], message[2])
        elif status == 0xD0:
            self._kind(plans, source, channel, PRESSURE, message[1])
        elif status == 0xE0:
            self._kind(plans, source, channel, BEND, message[1] | message[2] << 7)
        # Program changes of a keyboard choose nothing: sounds are chosen by the song.

    # --- notes --------------------------------------------------------------------------

    def _note_on(
        self, plans: tuple[Plan, ...], source: int, channel: int, note: int, stroke: int
    ) -> None:
        slot = channel << 7 | note
        if slot in self._held[source]:  # a second note on of the same key
            self._note_off(source, channel, note, 64)
        targets: list[Target] = []
        for plan in plans:
            if plan.from_channel not in (-1, channel) or not plan.low <= note <= plan.high:
                continue
            velocity, sent = plan.velocities[stroke], note + plan.transpose
            target = (plan.port, plan.channel, sent)
            if not velocity or not 0 <= sent <= 127 or target in targets:
                continue
            self._bring_pedals(plan, source, channel)
            targets.append(target)
            if self._sounding.get(target):
                self._send(plan.port, bytes((0x80 | plan.channel, sent, 64)))
            self._sounding[target] = self._sounding.get(target, 0) + 1
            self._send(plan.port, bytes((0x90 | plan.channel, sent, velocity)))
        if targets:
            self._held[source][slot] = tuple(targets)

    def _note_off(self, source: int, channel: int, note: int, velocity: int) -> None:
        for target in self._held[source].pop(channel << 7 | note, ()):
            left = self._sounding[target] - 1
            if left:
                self._sounding[target] = left
            else:
                del self._sounding[target]
                port, out, sent = target
                self._send(port, bytes((0x80 | out, sent, velocity)))

    def _key_pressure(self, plans: tuple[Plan, ...], source: int, message: bytes) -> None:
        allowed = {(plan.port, plan.channel) for plan in plans if plan.routes[PRESSURE]}
        slot = (message[0] & 0x0F) << 7 | message[1]
        for port, out, sent in self._held[source].get(slot, ()):
            if (port, out) in allowed:
                self._send(port, bytes((0xA0 | out, sent, message[2])))

    # --- controllers --------------------------------------------------------------------

    def _controller(
        self, plans: tuple[Plan, ...], source: int, channel: int, number: int, value: int
    ) -> None:
        if number in (_ALL_SOUND_OFF, _ALL_NOTES_OFF):
            self.release(source, channel)
        elif number < _ALL_SOUND_OFF:
            self._kind(plans, source, channel, number, value)

    def _kind(
        self, plans: tuple[Plan, ...], source: int, channel: int, kind: int, value: int
    ) -> None:
        """A controller, pressure or bend, with its value."""
        key = (source, channel, kind)
        self._values[key] = value
        done: list[Target] = []
        for plan in plans:
            route = plan.routes[kind]
            if route is None or plan.from_channel not in (-1, channel):
                continue
            target, sent = (plan.port, plan.channel, route[0]), _scaled(route, value)
            if target in done:
                continue
            done.append(target)
            if route[0] not in _RESTING:
                self._tell(target, sent)
            elif _is_rest(route[0], sent):
                self._let_go(key, target, sent)
            else:
                self._pull(key, target, route)
                self._tell(target, sent)
        for target, route in list(self._away.get(key, {}).items()):
            if target not in done and _is_rest(target[2], _scaled(route, value)):
                self._let_go(key, target, _scaled(route, value))

    def _bring_pedals(self, plan: Plan, source: int, channel: int) -> None:
        """Pedals that are down are told to an instrument that does not know of them."""
        for kind in plan.pedal_kinds:
            key = (source, channel, kind)
            route, value = plan.routes[kind], self._values.get(key)
            if route is None or value is None:
                continue
            target, sent = (plan.port, plan.channel, route[0]), _scaled(route, value)
            if not _is_rest(route[0], sent) and target not in self._away.get(key, {}):
                self._pull(key, target, route)
                self._tell(target, sent)

    def _pull(self, key: Source, target: Target, route: Route) -> None:
        """Remember that a source holds a target away from rest."""
        away = self._away.setdefault(key, {})
        if target not in away:
            away[target] = route
            self._pulls[target] = self._pulls.get(target, 0) + 1

    def _let_go(self, key: Source, target: Target, value: int) -> None:
        """A source rests: so does the target, unless another source still holds it."""
        if self._away.get(key, {}).pop(target, None) is not None:
            self._pulls[target] -= 1
        if not self._pulls.get(target):
            self._pulls.pop(target, None)
            self._tell(target, value)

    def _tell(self, target: Target, value: int) -> None:
        port, out, kind = target
        if kind == BEND:
            self._send(port, bytes((0xE0 | out, value & 0x7F, value >> 7)))
        elif kind == PRESSURE:
            self._send(port, bytes((0xD0 | out, value)))
        else:
            self._send(port, bytes((0xB0 | out, kind, value)))

    # --- letting go ---------------------------------------------------------------------

    def release(self, source: int, channel: int = -1) -> None:
        """Everything that an input holds ends: what is away from rest first, then the notes.

        A pedal that is still down would keep the notes sounding (MIDI 1.0 4.2.1, p. A-5).
        """
        for key in [k for k in self._away if k[0] == source and channel in (-1, k[1])]:
            self._values.pop(key, None)
            for target in list(self._away[key]):
                self._let_go(key, target, _rest(target[2]))
        for slot in [s for s in self._held[source] if channel in (-1, s >> 7)]:
            self._note_off(source, slot >> 7, slot & 0x7F, 64)

    def release_all(self) -> None:
        """Every input lets go."""
        for source in range(len(self._held)):
            self.release(source)

    def forget(self, port: int) -> None:
        """Everything that sounded on a port has been silenced there."""
        for held in self._held:
            for slot, targets in list(held.items()):
                held[slot] = tuple(target for target in targets if target[0] != port)
        self._sounding = {t: count for t, count in self._sounding.items() if t[0] != port}
        for away in self._away.values():
            for target in [target for target in away if target[0] == port]:
                del away[target]
        self._pulls = {t: count for t, count in self._pulls.items() if t[0] != port}

    def holds(self, port: int, channel: int) -> bool:
        """Whether keys or pedals hold a sound on a channel (0 to 15) of a port."""
        held = any(target[:2] == (port, channel) for target in self._sounding)
        return held or any(
            target[:2] == (port, channel) and target[2] in PEDALS for target in self._pulls
        )


def _rest(kind: int) -> int:
    return _BEND_REST if kind == BEND else 0


def _is_rest(kind: int, value: int) -> bool:
    """Switches are off below 64 (p. 12); wheels and pressure rest at one value."""
    return value < 64 if kind in PEDALS else value == _rest(kind)


def _scaled(route: Route, value: int) -> int:
    return route[1][value] if route[1] else value
