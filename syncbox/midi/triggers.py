"""Footswitches, pads and keys as switches: bounces, long presses and double presses sorted out.

Pure: messages and frames go in, numbers of controls come out. A press counts at once;
whatever its contact does within the debounce time is looked at when that time is over.
Where one switch has a long press too, the short one counts when it is let go.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from syncbox.score.controls import Control, SignKind
from syncbox.units import ms_to_frames

APART_MS = Fraction(700)  # a foot that wants once seldom means twice within this time
ONCE = frozenset(
    (
        "stop",
        "next song",
        "previous song",
        "jump at bar",
        "jump at end",
        "repeat section",
        "take over",
    )
)
ON_FROM = 64  # switch controllers: 0 to 63 off, 64 to 127 on (MIDI 1.0 4.2.1, p. 12)

_STATUS = {SignKind.NOTE: 0x90, SignKind.CONTROLLER: 0xB0, SignKind.PROGRAM: 0xC0}
_NOTE_OFF, _NOTE_ON, _CONTROLLER, _PROGRAM = 0x80, 0x90, 0xB0, 0xC0
_LONG_AGO = -(2**62)


@dataclass(slots=True)
class Switch:
    """One contact with what a short and a long press of it do (numbers of controls, -1 nothing)."""

    input: int
    status: int
    low: int
    high: int
    channel: int  # 0 to 15, -1 any
    debounce: int
    reversed: bool
    latching: bool
    short: int = -1
    long: int = -1
    hold: int = 0
    down: bool = False  # as believed
    raw: bool = False  # as last heard
    met: bool = False
    changed: int = _LONG_AGO
    long_done: bool = False

    def meant_by(self, input_index: int, message: bytes) -> bool:
        """Whether a message is of this contact."""
        status = message[0] & 0xF0
        if status == _NOTE_OFF:
            status = _NOTE_ON
        return (
            status == self.status
            and input_index == self.input
            and self.low <= message[1] <= self.high
            and self.channel in (-1, message[0] & 0x0F)
        )

    def take(self, message: bytes, frame: int, pressed: list[int]) -> None:
        """A message of this contact at a frame."""
        status = message[0] & 0xF0
        if status == _PROGRAM:  # a press without an end
            if frame - self.changed >= self.debounce:
                self.changed = frame
                self._press(self.short, pressed)
            return
        on = status == _NOTE_ON and message[2] > 0
        if status == _CONTROLLER:
            on = (message[2] >= ON_FROM) is not self.reversed
        if self.latching and not self.met:
            self.down = not on  # which of its two positions it was in cannot be known
        self.met = True
        self.raw = on
        self.settle(frame, pressed)

    def settle(self, frame: int, pressed: list[int]) -> None:
        """What is so at a frame without a new message: the end of a bounce, a long press."""
        if self.raw is not self.down and frame - self.changed >= self.debounce:
            self.down, self.changed = self.raw, frame
            if self.latching or (self.down and self.long < 0):
                self._press(self.short, pressed)
            elif self.down:
                self.long_done = False
            elif self.long >= 0 and not self.long_done:
                self._press(self.short, pressed)
        held = self.down and self.long >= 0 and not self.long_done
        if held and frame - self.changed >= self.hold:
            self.long_done = True
            self._press(self.long, pressed)

    @staticmethod
    def _press(control: int, pressed: list[int]) -> None:
        if control >= 0:
            pressed.append(control)


class Triggers:
    """All switches of a rig. `pressed` collects numbers of controls until they are taken out."""

    def __init__(self, controls: tuple[Control, ...], inputs: tuple[str, ...], rate: int) -> None:
        self._switches = _switches(controls, inputs, rate)
        by_input = [[s for s in self._switches if s.input == i] for i in range(len(inputs))]
        self._by_input = tuple(tuple(switches) for switches in by_input)
        self._does = tuple(control.does for control in controls)
        self._apart = tuple(_apart_frames(control, rate) for control in controls)
        self._last: dict[str, int] = dict.fromkeys(self._does, _LONG_AGO)
        self._raw: list[int] = []
        self.pressed: list[int] = []
        self.doubles = 0  # presses that were too soon after another to be meant

    def take(self, frame: int, input_index: int, message: bytes) -> bool:
        """A message at a frame; frames never go back. Whether it belongs to a switch."""
        found = False
        if len(message) > 1 and message[0] < 0xF0:
            for switch in self._by_input[input_index]:
                if switch.meant_by(input_index, message):
                    found = True
                    switch.settle(frame, self._raw)
                    switch.take(message, frame, self._raw)
        self._weigh(frame)
        return found

    def settle(self, frame: int) -> None:
        """Nothing new until a frame: long presses and ends of bounces are noticed."""
        for switch in self._switches:
            switch.settle(frame, self._raw)
        self._weigh(frame)

    def _weigh(self, frame: int) -> None:
        """Let presses through that are far enough from the last one that did the same."""
        for control in self._raw:
            does = self._does[control]
            if frame - self._last[does] < self._apart[control]:
                self.doubles += 1
                continue
            self._last[does] = frame
            self.pressed.append(control)
        self._raw.clear()


def _apart_frames(control: Control, rate: int) -> int:
    apart_ms = control.apart_ms
    if apart_ms is None:
        apart_ms = APART_MS if control.does in ONCE else Fraction(0)
    return ms_to_frames(apart_ms, rate=rate)


def _switches(
    controls: tuple[Control, ...], inputs: tuple[str, ...], rate: int
) -> tuple[Switch, ...]:
    """One switch for each contact, also where two controls share it for short and long."""
    found: dict[tuple[object, ...], Switch] = {}
    for number, control in enumerate(controls):
        if control.port not in inputs:
            continue
        sign = control.sign
        key = (control.port, sign.kind, sign.low, sign.high, sign.channel)
        switch = found.setdefault(
            key,
            Switch(
                inputs.index(control.port),
                _STATUS[sign.kind],
                sign.low,
                sign.high,
                sign.channel - 1,
                ms_to_frames(control.debounce_ms, rate=rate),
                control.reversed,
                control.latching,
            ),
        )
        if control.hold_ms:
            switch.long, switch.hold = number, ms_to_frames(control.hold_ms, rate=rate)
        else:
            switch.short = number
    return tuple(found.values())
