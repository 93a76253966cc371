"""A MIDI byte stream to whole messages: the door for everything that comes in.

Running status is resolved, real-time bytes inside other messages are handed on at
once, and what the specification says to ignore is ignored. A system exclusive
message that another status byte cuts off is closed where it was cut.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 5, 29 and A-1 to A-3.
"""

from __future__ import annotations

from typing import Final

SYSEX_BYTES_MAX = 4096  # of one incoming message; a longer one is left out and counted

_SYSEX_START, _SYSEX_END = 0xF0, 0xF7
_TOO_LARGE_FOR_DATA = 0x80
_REALTIME_MIN = 0xF8
# F9 and FD mean nothing, active sensing asks for nothing, and reset is never passed on.
_HEEDED: Final = {byte: bytes((byte,)) for byte in (0xF8, 0xFA, 0xFB, 0xFC)}
# Data bytes after each status. F4 and F5 mean nothing; they only end what was before.
_CHANNEL_LENGTH: Final = (2, 2, 2, 2, 1, 1, 2)  # 8n 9n An Bn Cn Dn En
_COMMON_LENGTH: Final = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0}


class Parser:
    """The state between two bytes. One for each input, used by one thread."""

    __slots__ = ("_in_sysex", "_message", "_too_long", "_wanted", "left_out")

    def __init__(self) -> None:
        self._message = bytearray()  # the status byte and the data so far
        self._wanted = 0  # whole length of the message; 0: data bytes belong to nothing
        self._in_sysex = self._too_long = False
        self.left_out = 0  # system exclusive messages that were too long

    def feed(self, data: bytes) -> list[bytes]:
        """Whole messages that end in these bytes, in order, each with its status byte."""
        found: list[bytes] = []
        for byte in data:
            if byte >= _REALTIME_MIN:
                if byte in _HEEDED:
                    found.append(_HEEDED[byte])
            elif byte >= _TOO_LARGE_FOR_DATA:
                self._begin(byte, found)
            else:
                self._add(byte, found)
        return found

    def _begin(self, status: int, found: list[bytes]) -> None:
        """A status byte that is not real time ends whatever was open."""
        if self._in_sysex:
            self._end_sysex(found)
        self._message.clear()
        self._wanted = 0
        if status == _SYSEX_START:
            self._in_sysex = True
            self._message.append(status)
        elif status < _SYSEX_START:
            self._message.append(status)
            self._wanted = 1 + _CHANNEL_LENGTH[(status >> 4) - 8]
        elif (length := _COMMON_LENGTH.get(status)) is not None:
            if length:
                self._message.append(status)
                self._wanted = 1 + length
            else:
                found.append(bytes((status,)))

    def _add(self, byte: int, found: list[bytes]) -> None:
        """A data byte. One that belongs to no message is ignored."""
        message = self._message
        if self._in_sysex:
            if len(message) < SYSEX_BYTES_MAX - 1:
                message.append(byte)
            else:
                self._too_long = True
            return
        if not self._wanted:
            return
        message.append(byte)
        if len(message) < self._wanted:
            return
        found.append(bytes(message))
        if message[0] < _SYSEX_START:
            del message[1:]  # the status stays: running status
        else:
            self._wanted = 0

    def _end_sysex(self, found: list[bytes]) -> None:
        if self._too_long:
            self.left_out += 1
        else:
            self._message.append(_SYSEX_END)
            found.append(bytes(self._message))
        self._in_sysex = self._too_long = False
