"""The bytes of every MIDI message that syncbox sends.

Each function gives one whole message, or a tuple of whole messages where several
belong together, so that a driver can hand them over one at a time: running status
is never used, because a port that is opened again must understand the first byte.
Channels count from 1 to 16, as panels show them; everything else is the number on
the wire. Values outside the wire's range raise ValueError.

Source of all values: MIDI 1.0 Detailed Specification 4.2.1, Tables I to VI.
"""

from __future__ import annotations

from typing import Final

STATUS: Final = {
    "note off": 0x80,
    "controller": 0xB0,
    "program change": 0xC0,
    "song position": 0xF2,
    "clock": 0xF8,
    "start": 0xFA,
    "continue": 0xFB,
    "stop": 0xFC,
}
CONTROLLER: Final = {
    "bank msb": 0,
    "bank lsb": 32,
    "sustain": 64,
    "all sound off": 120,
    "reset all controllers": 121,
    "all notes off": 123,
}
REALTIME_STATUS_MIN = 0xF8  # this byte and all above it may stand inside another message
DATA_MAX = 127
SONG_POSITION_MAX = 16_383  # 14 bits
CHANNEL_MAX = 16

_SYSEX_START, _SYSEX_END = 0xF0, 0xF7
_CLOCK, _START, _CONTINUE, _STOP = (
    bytes((STATUS[name],)) for name in ("clock", "start", "continue", "stop")
)


def _in_range(what: str, value: int, low: int, high: int) -> int:
    if not low <= value <= high:
        raise ValueError(f"{what} is {value}; it goes from {low} to {high}")
    return value


def _data(what: str, value: int) -> int:
    return _in_range(what, value, 0, DATA_MAX)


def _status(name: str, channel: int) -> int:
    return STATUS[name] + _in_range("the channel", channel, 1, CHANNEL_MAX) - 1


def is_realtime(data: bytes) -> bool:
    """Whether a message is a single real-time byte, which goes before all others."""
    return data[0] >= REALTIME_STATUS_MIN


def clock() -> bytes:
    """Timing clock, 24 to the quarter (p. 30)."""
    return _CLOCK


def start() -> bytes:
    """Start from the beginning at the next clock (p. 30)."""
    return _START


def continue_() -> bytes:
    """Go on from the present song position at the next clock (p. 30)."""
    return _CONTINUE


def stop() -> bytes:
    """Stop at once and keep the position (p. 31)."""
    return _STOP


def song_position(sixteenths: int) -> bytes:
    """Song position in sixteenths from the start, 0 to 16383, low seven bits first (Table V)."""
    value = _in_range("the song position", sixteenths, 0, SONG_POSITION_MAX)
    return bytes((STATUS["song position"], value & 0x7F, value >> 7))


def program_change(channel: int, program: int) -> bytes:
    """Program 0 to 127 on a channel (Table II)."""
    return bytes((_status("program change", channel), _data("the program", program)))


def controller(channel: int, number: int, value: int) -> bytes:
    """Controller 0 to 127 with a value 0 to 127 (Table II)."""
    status = _status("controller", channel)
    return bytes((status, _data("the controller", number), _data("the value", value)))


def note_off(channel: int, note: int, velocity: int = 64) -> bytes:
    """Note 0 to 127 ends; 64 is the velocity of a sender that has no release speed (Table II)."""
    status = _status("note off", channel)
    return bytes((status, _data("the note", note), _data("the velocity", velocity)))


def patch(channel: int, msb: int | None, lsb: int | None, program: int) -> tuple[bytes, ...]:
    """Bank select, MSB then LSB, and the program change right after it (p. 13).

    The two halves of the bank are a pair: both are numbers, or both are None for
    an instrument without banks.
    """
    if msb is None and lsb is None:
        return (program_change(channel, program),)
    if msb is None or lsb is None:
        raise ValueError("a bank has two halves, MSB and LSB: give both or neither")
    return (
        controller(channel, CONTROLLER["bank msb"], msb),
        controller(channel, CONTROLLER["bank lsb"], lsb),
        program_change(channel, program),
    )


def panic(channel: int) -> tuple[bytes, ...]:
    """Silence a channel: sustain off, all sound off, controllers reset, all notes off.

    Sustain comes first: a held pedal keeps notes sounding through all notes off (p. A-5).
    """
    order = ("sustain", "all sound off", "reset all controllers", "all notes off")
    return tuple(controller(channel, CONTROLLER[name], 0) for name in order)


def sysex(data: bytes) -> bytes:
    """One whole system exclusive message, checked: F0, then bytes up to 7F, then F7 (Table VI)."""
    framed = len(data) >= 3 and data[0] == _SYSEX_START and data[-1] == _SYSEX_END
    if not framed:
        raise ValueError("a system exclusive message begins with F0 and ends with F7")
    wrong = next((byte for byte in data[1:-1] if byte > DATA_MAX), None)
    if wrong is not None:
        raise ValueError(f"{wrong:02X} cannot stand inside a system exclusive message; 7F is most")
    return data
