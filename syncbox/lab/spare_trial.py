"""One trial of a spare: it follows, something happens, and both are heard by captures.

What it gives is how late the spare's clicks are against the grid of the first one's, after
the spare took over. The grid goes on in whole beats where the first one fell silent.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from syncbox.drivers import system
from syncbox.drivers.spare_post import PORT
from syncbox.lab.capture import Capture
from syncbox.lab.hands import Hands
from syncbox.lab.listener import ListenJob
from syncbox.lab.two_machines import (
    PEDAL,
    Machine,
    folder_of_a_show,
    kill_all,
    offsets_ms,
    played_ns,
    resolution_us,
    two_machines,
    wait_for_line,
)

JUDGED_CLICKS = 4  # after that, two dummy servers have drifted apart by themselves
_LISTEN_S = 120.0
_NETWORK_PORT = 51_999


@dataclass(frozen=True, slots=True)
class Weather:
    """What the network between the two does; nothing by itself."""

    delay_s: float = 0.0
    jitter_s: float = 0.0
    loss: float = 0.0
    double: float = 0.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was heard. Times of clicks are host times in ns, shape (n,).

    `doubt_ms` is how far the apparatus itself may be wrong about a click.
    """

    first_ns: NDArray[np.float64]
    spare_ns: NDArray[np.float64]
    happened_ns: int
    doubt_ms: float

    @property
    def offsets_ms(self) -> NDArray[np.float64]:
        """Of the first clicks after the spare took over; later is positive."""
        return offsets_ms(self.first_ns, self.spare_ns[:JUDGED_CLICKS])

    @property
    def waited_s(self) -> float:
        """From what happened to the first click of the spare."""
        return (float(self.spare_ns[0]) - self.happened_ns) / 1e9


@dataclass
class Trial:
    """Both run, and the spare follows."""

    first_machine: Machine
    spare_machine: Machine
    first: subprocess.Popen[bytes]
    said_by_first: Path
    said_by_spare: Path
    captures: tuple[Capture, Capture]
    hands: Hands
    happened_ns: int = 0

    def press_pedal(self) -> None:
        """The pedal that takes over."""
        self.happened_ns = system.now_ns()
        self.hands.play([(0, 0, PEDAL), (4800, 0, b"\xb0\x40\x00")])

    def kill_first(self) -> None:
        """Host, engine and beacon at once."""
        self.happened_ns = system.now_ns()
        kill_all(self.first)

    def pull_cable(self) -> None:
        self.happened_ns = system.now_ns()
        self.first_machine.cable(plugged=False)

    def plug_in(self) -> None:
        self.first_machine.cable(plugged=True)

    def first_says(self, words: str, *, times: int = 1) -> None:
        """Wait until it has. Raises TimeoutError."""
        wait_for_line(self.said_by_first, words, times=times)

    def spare_says(self, words: str, *, times: int = 1) -> None:
        wait_for_line(self.said_by_spare, words, times=times)

    def outcome(self) -> Outcome:
        """End the captures and hold them together."""
        one, other = (capture.stop() for capture in self.captures)
        return Outcome(
            played_ns(one, one.clicks[0]),
            played_ns(other, other.clicks[0]),
            self.happened_ns,
            (resolution_us(one) + resolution_us(other)) / 1000,
        )


@contextmanager
def trial(*spare_options: str, weather: Weather | None = None) -> Iterator[Trial]:
    """Two machines that are ready, some seconds into the song. Raises NotHereError."""
    with ExitStack() as stack:
        one, other = stack.enter_context(two_machines())
        first_show, spare_show = stack.enter_context(folder_of_a_show())
        said_by_first, said_by_spare = (
            show.parent / f"{show.name}.out" for show in (first_show, spare_show)
        )
        other.syncbox("spare", str(spare_show), *spare_options, output=said_by_spare)
        wait_for_line(said_by_spare, "first not heard")
        address = other.address
        if weather is not None:
            address = f"127.0.0.1:{_NETWORK_PORT}"
            faults = (weather.delay_s, weather.jitter_s, weather.loss, weather.double)
            command = (sys.executable, "-m", "syncbox.lab.bad_network", str(_NETWORK_PORT))
            one.run(*command, other.address, str(PORT), *map(str, faults))
            time.sleep(1)
        first = one.syncbox(
            "run", str(first_show), "--start", "--spare", address, output=said_by_first
        )
        wait_for_line(said_by_spare, "following, silent")
        captures = tuple(stack.enter_context(Capture(_job(machine))) for machine in (one, other))
        hands = stack.enter_context(Hands(other.server, ("pedal",)))
        time.sleep(5)
        yield Trial(
            one, other, first, said_by_first, said_by_spare, (captures[0], captures[1]), hands
        )


def _job(machine: Machine) -> ListenJob:
    return ListenJob(machine.server, ("syncbox:out_1",), ("syncbox:box",), _LISTEN_S, "")
