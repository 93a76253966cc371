"""Which inputs of which audio device a person means, where PortAudio records. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence

from syncbox.drivers.choose import Choice
from syncbox.drivers.scan import AudioInput, Found
from syncbox.drivers.tape import TapeJob
from syncbox.errors import DeviceError

_LEAVE_OUT = "or leave out --record and --talk"


def wanted_inputs(names: Sequence[str], choice: Choice, found: Found) -> TapeJob:
    """What is to be recorded beside a choice of PortAudio; its segment has no name yet.

    Each name is the number of an input, from 1: `2` of the device that plays, `usb box:2` of
    the device with this part in its name. Raises DeviceError where there is no such input.
    """
    parsed = [_parsed(name) for name in names]
    devices = {device for device, _ in parsed}
    if len(devices) > 1:
        raise DeviceError(
            "a take has inputs of one audio device only",
            hint=f"you asked for {' and '.join(sorted(each or choice.device for each in devices))}",
        )
    (part,) = devices
    device = _device(part, choice, found)
    for _, number in parsed:
        if not 1 <= number <= device.inputs:
            raise DeviceError(
                f"{device.name} has no input {number}",
                hint=f"its inputs are 1 to {device.inputs}" if device.inputs > 1 else "it has one",
            )
    channels = tuple(dict.fromkeys(number for _, number in parsed))
    return TapeJob("", device.name, device.index, channels, choice.rate)


def input_number(name: str) -> int:
    """The number in the name of an input."""
    return _parsed(name)[1]


def _parsed(name: str) -> tuple[str, int]:
    """A part of a device's name, empty for the one that plays, and the number of its input."""
    found = re.fullmatch(r"\s*(?:(.*\S)\s*:)?\s*(\d{1,3})\s*", name)
    if not found:
        raise DeviceError(
            f"{name!r} is no input of an audio device",
            hint="write its number: 1, or with a part of another device's name: usb box:1",
        )
    return (found.group(1) or "").lower(), int(found.group(2))


def _device(part: str, choice: Choice, found: Found) -> AudioInput:
    there = found.audio_inputs
    if part:
        fitting = [device for device in there if part in device.name.lower()]
        what = f"no audio input device is called {part}"
    else:
        fitting = [device for device in there if device.name == choice.device]
        what = f"{choice.device} has no inputs, so nothing can be recorded"
    if not fitting:
        names = ", ".join(f"{device.name} ({device.inputs})" for device in there)
        hint = f"plug one in, {_LEAVE_OUT}"
        if there:
            example = f"{there[0].name}:1"
            hint = f"there is {names}: write for example '{example}', {_LEAVE_OUT}"
        raise DeviceError(what, hint=hint)
    api = next((d.host_api for d in found.audio if d.index == choice.device_index), "")

    def strangeness(device: AudioInput) -> tuple[bool, bool, bool]:
        own = device.index == choice.device_index
        return not own, device.host_api != api, not device.default

    return min(fitting, key=strangeness)
