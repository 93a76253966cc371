"""Which driver to use tonight, and why."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from syncbox.drivers.scan import AudioDevice, Found, scan
from syncbox.drivers.tape import TapeJob
from syncbox.errors import DeviceError

DRIVERS = ("auto", "jack", "portaudio", "simulated")
DEFAULT_RATE = 48_000


@dataclass(frozen=True, slots=True)
class Choice:
    """A driver and its device. `block_frames` 0: the driver's own. `why` is one sentence."""

    driver: str
    device: str
    rate: int
    block_frames: int
    outputs: int
    why: str
    device_index: int = -1  # PortAudio's number
    tape: TapeJob | None = None  # what PortAudio's callback shall record

    def with_block(self, block_frames: int) -> Choice:
        """The same with another block length, where the driver can choose it."""
        if self.driver == "jack" and block_frames != self.block_frames:
            raise DeviceError(
                f"the JACK server works in blocks of {self.block_frames} frames",
                hint=f"start the server with -p {block_frames} to have other blocks",
            )
        return dataclasses.replace(self, block_frames=block_frames)


def choose(
    driver: str = "auto",
    device: str | None = None,
    *,
    rate: int | None = None,
    found: Found | None = None,
) -> Choice:
    """Pick a driver and a device, before the show is compiled: the choice says for which rate.

    `device` is a JACK server's name, or a part of an audio device's name. `rate` is
    what a driver that can choose should use. Raises DeviceError when what was asked
    for by name is not there.
    """
    if driver not in DRIVERS:
        raise DeviceError(f"there is no driver {driver}", hint=f"one of {', '.join(DRIVERS)}")
    if driver == "simulated":
        return _simulated(rate, "You asked for the simulated driver: nothing will be heard.")
    found = found or scan(device if driver == "jack" else None)
    if driver == "jack" or (driver == "auto" and found.jack is not None and device is None):
        return _jack(found, device, rate, asked=driver == "jack")
    if driver == "portaudio" or found.audio or device is not None:
        return _portaudio(found, device, rate, asked=driver == "portaudio")
    reason = f" (the search had trouble: {found.trouble})" if found.trouble else ""
    return _simulated(
        rate, f"There is no JACK server and no audio device, so nothing will be heard{reason}."
    )


def _simulated(rate: int | None, why: str) -> Choice:
    return Choice("simulated", "no audio device", rate or DEFAULT_RATE, 0, 0, why)


def _jack(found: Found, device: str | None, rate: int | None, *, asked: bool) -> Choice:
    server = found.jack
    if server is None:
        name = f"a JACK server called {device}" if device else "a JACK server"
        raise DeviceError(
            f"{name} does not answer",
            hint="start one, for example: jackd -d alsa -r 48000 -p 256",
        )
    if rate not in (None, server.rate):
        raise DeviceError(
            f"the JACK server runs at {server.rate} Hz, not at {rate} Hz",
            hint=f"leave the rate to the server, or start it with -r {rate}",
        )
    why = "You asked for JACK." if asked else "A JACK server runs: click and clock agree exactly."
    return Choice(
        driver="jack",
        device=server.name,
        rate=server.rate,
        block_frames=server.block_frames,
        outputs=len(server.playback_ports),
        why=why,
    )


def _portaudio(found: Found, device: str | None, rate: int | None, *, asked: bool) -> Choice:
    wanted = (device or "").lower()
    fitting = [audio for audio in found.audio if wanted in audio.name.lower()]
    if not fitting:
        names = ", ".join(audio.name for audio in found.audio)
        raise DeviceError(
            f"no audio output device is called {device}" if device else "no audio output device",
            hint=f"there is {names}" if names else "plug one in, or use --driver simulated",
        )
    best = max(fitting, key=_preference)
    if asked or device is not None:
        why = f"You asked for {best.name}."
    else:
        why = f"No JACK server runs, and {best.name} is the audio output of this computer."
    return Choice(
        driver="portaudio",
        device=best.name,
        rate=rate or best.rate,
        block_frames=0,
        outputs=best.outputs,
        why=why,
        device_index=best.index,
    )


def _preference(audio: AudioDevice) -> tuple[bool, int]:
    return audio.default, -audio.index
