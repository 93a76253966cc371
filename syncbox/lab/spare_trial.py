"""One trial of a spare: it follows, something happens, and both are heard by captures.

What it gives is how late the spare's clicks are against the grid of the first one's, after
the spare took over. The grid goes on in whole beats where the first one fell silent.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from syncbox.drivers import system
from syncbox.drivers.spare_post import PORT
from syncbox.lab.capture import Capture, Heard
from syncbox.lab.hands import CLIENT_NAME, Hands
from syncbox.lab.listener import ListenJob
from syncbox.lab.two_machines import (
    CLICK_QPM,
    PEDAL,
    RATE,
    Machine,
    folder_of_a_show,
    kill_all,
    offsets_ms,
    played_ns,
    resolution_us,
    two_machines,
    wait_for_line,
)
from syncbox.units import CLOCKS_PER_QUARTER, NS_PER_SECOND

JUDGED_CLICKS = 4  # after that, two dummy servers have drifted apart by themselves
LEADER_S, LEADER_BEATS = 30.0, 4  # how long a leader plays, and how many beats before its start
LEADER_TURNS_S, LEADER_LATER_QPM = 17.0, 110.0
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
    beat_s: float = 60 / CLICK_QPM
    # How late each click is after the nearest beat of the box that leads, of both machines.
    from_leader_ms: tuple[NDArray[np.float64], ...] = ()

    @property
    def offsets_ms(self) -> NDArray[np.float64]:
        """Of the first clicks after the spare took over; later is positive."""
        return offsets_ms(self.first_ns, self.spare_ns[:JUDGED_CLICKS], beat_s=self.beat_s)

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
    hands: tuple[Hands, Hands]
    beat_s: float = 60 / CLICK_QPM
    happened_ns: int = 0

    def press_pedal(self) -> None:
        """The pedal that takes over."""
        self.happened_ns = system.now_ns()
        self.hands[1].play([(0, 0, PEDAL), (4800, 0, b"\xb0\x40\x00")])

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
            self.beat_s,
            (_from_leader_ms(one), _from_leader_ms(other)),
        )


def _from_leader_ms(heard: Heard) -> NDArray[np.float64]:
    """How late each click is after the leader's nearest beat, shape (n,), by one machine's frames.

    Clocks that were lost on the way to the capture are counted by the time that passed.
    """
    starts, clocks = (heard.messages(0, status) for status in (0xFA, 0xF8))
    if not len(starts):
        return np.zeros(0)
    clocks = clocks[clocks > starts[0]]
    passed = np.rint(np.diff(clocks) / np.median(np.diff(clocks)))
    number = np.concatenate([[0], np.cumsum(passed)])
    clicks = heard.clicks[0]
    nearest = np.abs(clicks[:, None] - clocks[None, :]).argmin(axis=1)
    off = (number[nearest] + CLOCKS_PER_QUARTER // 2) % CLOCKS_PER_QUARTER
    interval = np.gradient(clocks.astype(np.float64))[nearest]
    late = clicks - clocks[nearest] + (off - CLOCKS_PER_QUARTER // 2) * interval
    return np.asarray(late * 1000 / heard.rate, dtype=np.float64)


@contextmanager
def trial(
    *spare_options: str,
    weather: Weather | None = None,
    driver: str = "jack",
    leader_qpm: float = 0.0,
) -> Iterator[Trial]:
    """Two machines that are ready, some seconds into the song. Raises NotHereError.

    With `leader_qpm` a box leads both at that tempo, by the same clocks; after
    `LEADER_TURNS_S` it goes on at `LEADER_LATER_QPM` until `LEADER_S`.
    """
    led = leader_qpm > 0
    with ExitStack() as stack:
        one, other = stack.enter_context(two_machines())
        first_show, spare_show = stack.enter_context(folder_of_a_show(led=led))
        said_by_first, said_by_spare = (
            show.parent / f"{show.name}.out" for show in (first_show, spare_show)
        )
        options = (str(spare_show), *spare_options)
        other.syncbox("spare", *options, output=said_by_spare, driver=driver)
        wait_for_line(said_by_spare, "first not heard")
        address = other.address
        if weather is not None:
            address = _bad_network(one, other, weather)
        options = (str(first_show), "--start", "--spare", address)
        first = one.syncbox("run", *options, output=said_by_first, driver=driver)
        wait_for_line(said_by_spare, "following, silent")
        hands = tuple(
            stack.enter_context(Hands(machine.server, ("pedal", "clock")))
            for machine in (one, other)
        )
        captures = tuple(
            stack.enter_context(Capture(_job(machine, driver, led=led))) for machine in (one, other)
        )
        beat_s = 60 / (leader_qpm or CLICK_QPM)
        if led:
            stack.enter_context(_leader(hands, beat_s))
        time.sleep(5)
        yield Trial(
            one,
            other,
            first,
            said_by_first,
            said_by_spare,
            (captures[0], captures[1]),
            (hands[0], hands[1]),
            beat_s,
        )


def _bad_network(one: Machine, other: Machine, weather: Weather) -> str:
    """A relay on the first machine; the address at which it hears."""
    faults = (weather.delay_s, weather.jitter_s, weather.loss, weather.double)
    command = (sys.executable, "-m", "syncbox.lab.bad_network", str(_NETWORK_PORT))
    one.run(*command, other.address, str(PORT), *map(str, faults))
    time.sleep(1)
    return f"127.0.0.1:{_NETWORK_PORT}"


@contextmanager
def _leader(hands: tuple[Hands, ...], beat_s: float) -> Iterator[None]:
    """A box that leads: clocks, a start after the first beats, and the same to both machines."""
    frames = [0.0]
    while frames[-1] < LEADER_S * RATE:
        now_s = beat_s if frames[-1] < LEADER_TURNS_S * RATE else 60 / LEADER_LATER_QPM
        frames.append(frames[-1] + now_s * RATE / CLOCKS_PER_QUARTER)
    whole = [round(frame) for frame in frames]
    strokes = [(gap, 1, b"\xf8") for gap in (0, *(end - begin for begin, end in pairwise(whole)))]
    before = LEADER_BEATS * CLOCKS_PER_QUARTER
    start = strokes[before][0] // 2
    strokes[before : before + 1] = [(start, 1, b"\xfa"), (strokes[before][0] - start, 1, b"\xf8")]
    at_ns = system.now_ns() + NS_PER_SECOND
    with ThreadPoolExecutor(len(hands)) as pool:
        playing = [pool.submit(each.play, strokes, at_ns=at_ns) for each in hands]
        yield
        for each in playing:
            each.result()


def _job(machine: Machine, driver: str, *, led: bool) -> ListenJob:
    click = "PortAudio*:out_0" if driver == "portaudio" else "syncbox:out_1"
    midi = "syncbox:box" if driver == "jack" else ""
    midi = f"{CLIENT_NAME}:clock" if led else midi
    return ListenJob(machine.server, (click,), (midi,), _LISTEN_S, "")
