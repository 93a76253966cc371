"""Which messages are a press, of a pad, a key or a pedal, whatever its number. Pure."""

from __future__ import annotations

from syncbox.midi.triggers import ON_FROM


class Presses:
    """Tells a press from what else a box sends: letting go, bends, clocks."""

    def __init__(self) -> None:
        self._down: set[tuple[str, int, int]] = set()  # pedals: port, channel and controller

    def take(self, port: str, message: bytes) -> bool:
        """Whether a whole message of a port is a press. A pedal is one when it goes down."""
        status = message[0] & 0xF0
        if status == 0x90:
            return message[2] > 0
        if status != 0xB0 or message[1] >= 120:
            return False
        pedal = (port, message[0] & 0x0F, message[1])
        was_down, down = pedal in self._down, message[2] >= ON_FROM
        (self._down.add if down else self._down.discard)(pedal)
        return down and not was_down
