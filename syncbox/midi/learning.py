"""From what a pedal, pad or key sends when it is pressed once to the message of a control.

Pure: messages with their times go in. A pedal is listened to until it is let go, since
only then it is known which way round it works; one that sends nothing when it is let
go counts as latching.
"""

from __future__ import annotations

from dataclasses import dataclass

from syncbox.midi.triggers import ON_FROM
from syncbox.score.controls import Sign, SignKind

LET_GO_S = 1.5  # a press that is to be learned is over by then


@dataclass(frozen=True, slots=True)
class Learned:
    """What a press is: the port it came from, its message, and the pedal's manners."""

    port: str
    sign: Sign
    reversed: bool = False
    latching: bool = False


class Learner:
    """Waits for one press on any port."""

    def __init__(self) -> None:
        self._port = ""
        self._sign: Sign | None = None  # of a pedal that has not been let go yet
        self._first_on = False
        self._began_s = 0.0

    def take(self, port: str, message: bytes, now_s: float) -> Learned | None:
        """A whole message; the result as soon as it is known."""
        status = message[0] & 0xF0
        if not 0x80 <= status <= 0xE0:
            return None
        channel = (message[0] & 0x0F) + 1
        if status == 0x90 and message[2]:
            return Learned(port, Sign(SignKind.NOTE, message[1], message[1], channel))
        if status == 0xC0:
            return Learned(port, Sign(SignKind.PROGRAM, message[1], message[1], channel))
        if status != 0xB0 or message[1] in (0, 32) or message[1] >= 120:
            return None  # bank select comes before a program change, which is what is meant
        sign = Sign(SignKind.CONTROLLER, message[1], message[1], channel)
        on = message[2] >= ON_FROM
        if self._sign is None:
            self._port, self._sign, self._first_on, self._began_s = port, sign, on, now_s
        elif (port, sign) == (self._port, self._sign) and on is not self._first_on:
            return Learned(port, sign, reversed=on)
        return None

    def wait(self, now_s: float) -> Learned | None:
        """Nothing new until now: a pedal that was not let go in time is latching."""
        if self._sign is None or now_s - self._began_s < LET_GO_S:
            return None
        return Learned(self._port, self._sign, latching=True)
