"""Two computers on one: two networks with a cable between them, a JACK server in each.

For measuring a first computer and its spare against each other. Each side has a network
namespace of its own (Linux, as root), so that its cable can be pulled; the two servers share
the host's clock, so that what two independent captures heard can be held together: a
callback is never early, and the least late ones of two seconds tell when a frame was played.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import syncbox
from syncbox.lab.capture import Heard
from syncbox.units import NS_PER_SECOND

RATE, BLOCK_FRAMES = 48_000, 256
CLICK_QPM = 120
PEDAL = b"\xb0\x40\x7f"
_SERVER_TRIES = 3
_READY_S = 30.0
_WINDOW_FRAMES = RATE  # to both sides of a click, for when its frame was played

_RIG = """
syncbox: 1
ports:
  box: {match: "*no-such-box*", wire: usb, clock: yes, start-stop: yes, song-position: yes}
inputs: {pedals: "*syncbox-hands:pedal*", drums: "*syncbox-hands:clock*"}
controls:
  - {does: take over, port: pedals, message: controller 64}
mixes:
  drummer: {outputs: 1, levels: {click: 0 dB, count-in: 0 dB}}
"""
_SONG = """
syncbox: 1
title: Two Machines
tempo: quarter = 120
sections:
  - {section: All, bars: 400}
"""


class NotHereError(Exception):
    """Why two machines cannot be had on this computer."""


def write_show(folder: Path, *, led: bool = False) -> Path:
    """A song of a steady click, with a pedal that takes over; `led`: another box leads."""
    folder.mkdir()
    rig = f"{_RIG}follow: drums\n" if led else _RIG
    (folder / "rig.yaml").write_text(rig, encoding="utf-8")
    (folder / "two-machines.yaml").write_text(_SONG, encoding="utf-8")
    (folder / "setlist.yaml").write_text("syncbox: 1\nsongs: [two-machines]\n", encoding="utf-8")
    return folder


@dataclass
class Machine:
    """One side: its network, its address and its JACK server."""

    network: str
    device: str
    address: str
    server: str
    processes: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def run(self, *command: str, output: Path | None = None) -> subprocess.Popen[bytes]:
        """A process in this machine's network."""
        with (output or Path(os.devnull)).open("wb") as out:
            started = subprocess.Popen(
                ["ip", "netns", "exec", self.network, *command],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                # PortAudio and rtmidi find JACK by its own variable.
                env={
                    **os.environ,
                    "PYTHONUNBUFFERED": "1",
                    "JACK_DEFAULT_SERVER": self.server,
                },
                cwd=Path(syncbox.__file__).parent.parent,
            )
        self.processes.append(started)
        return started

    def syncbox(
        self, *arguments: str, output: Path | None = None, driver: str = "jack"
    ) -> subprocess.Popen[bytes]:
        """A syncbox on this machine's server, in plain lines."""
        device = self.server if driver == "jack" else "system"
        options = ("--driver", driver, "--device", device, "--plain")
        command = (sys.executable, "-m", "syncbox", arguments[0], *arguments[1:], *options)
        return self.run(*command, output=output)

    def cable(self, *, plugged: bool) -> None:
        """Pull this machine's network cable, or plug it in."""
        state = "up" if plugged else "down"
        _ip("netns", "exec", self.network, "ip", "link", "set", self.device, state)

    def close(self) -> None:
        """End what was started here."""
        for process in reversed(self.processes):
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(20)
            if process.poll() is None:
                process.kill()
                process.wait()


def _ip(*arguments: str) -> None:
    done = subprocess.run(
        ["ip", *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, check=False
    )
    if done.returncode:
        raise NotHereError(f"ip {' '.join(arguments)}: {done.stderr.decode().strip()}")


def why_not() -> str:
    """Why two machines cannot be had here; empty if they can."""
    if sys.platform != "linux":
        return "network namespaces are Linux's"
    missing = [name for name in ("ip", "jackd", "jack_wait") if shutil.which(name) is None]
    if missing:
        return f"{missing[0]} is not installed"
    if os.geteuid():
        return "only root may make network namespaces"
    name = f"sbx-try-{os.getpid()}"
    try:
        _ip("netns", "add", name)
        _ip("netns", "del", name)
    except NotHereError as error:
        return str(error)
    return ""


def _serve(machine: Machine) -> None:
    """Start its JACK server; a busy computer may not bring one up at once, so ask again."""
    # A dummy server's frames stand still while it is late, which no sound card's do.
    prompt = ("chrt", "-f", "10") if shutil.which("chrt") else ("nice", "-n", "-15")
    jackd = (*prompt, "jackd", "--no-realtime", "-n", machine.server)
    ask = ["jack_wait", "-s", machine.server, "-w", "-t", "10"]
    for _ in range(_SERVER_TRIES):
        server = machine.run(*jackd, "-d", "dummy", "-r", str(RATE), "-p", str(BLOCK_FRAMES))
        answer = subprocess.run(ask, capture_output=True, check=False)
        if answer.returncode == 0:
            return
        server.kill()
        server.wait()
    raise NotHereError(f"the JACK server {machine.server} does not answer")


@contextmanager
def two_machines() -> Iterator[tuple[Machine, Machine]]:
    """Both, with servers that answer. Raises NotHereError with the reason."""
    if reason := why_not():
        raise NotHereError(reason)
    number = os.getpid()
    machines = [
        Machine(
            f"sbx-{side}-{number}",
            f"sbx{side}{number % 100_000}",
            f"10.99.{number % 250}.{place}",
            f"syncbox-two-{side}-{number}",
        )
        for place, side in enumerate("ab", 1)
    ]
    try:
        for machine in machines:
            _ip("netns", "add", machine.network)
            _ip("netns", "exec", machine.network, "ip", "link", "set", "lo", "up")
        first, spare = machines
        _ip("link", "add", first.device, "type", "veth", "peer", "name", spare.device)
        for machine in machines:
            _ip("link", "set", machine.device, "netns", machine.network)
            inside = ("netns", "exec", machine.network, "ip")
            _ip(*inside, "addr", "add", f"{machine.address}/24", "dev", machine.device)
            _ip(*inside, "link", "set", machine.device, "up")
            _serve(machine)
        yield first, spare
    finally:
        for machine in machines:
            machine.close()
            subprocess.run(["ip", "netns", "del", machine.network], check=False)


@contextmanager
def folder_of_a_show(*, led: bool = False) -> Iterator[tuple[Path, Path]]:
    """The same show twice, as on two computers."""
    with tempfile.TemporaryDirectory(prefix="syncbox-two-") as place:
        first, spare = (write_show(Path(place) / name, led=led) for name in ("first", "spare"))
        yield first, spare


def wait_for_line(path: Path, words: str, *, seconds: float = _READY_S, times: int = 1) -> None:
    """Until a process has written some words so often. Raises TimeoutError."""
    deadline_s = time.monotonic() + seconds
    while time.monotonic() < deadline_s:
        if path.exists() and path.read_text("utf-8", errors="replace").count(words) >= times:
            return
        time.sleep(0.02)
    said = path.read_text("utf-8", errors="replace") if path.exists() else "nothing"
    raise TimeoutError(f"{words!r} was not said: {said}")


def kill_all(process: subprocess.Popen[bytes]) -> None:
    """A power cut for one host: itself, its engine and all its helpers, at once."""
    family = [process.pid]
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError, IndexError, ValueError):
            parent = int(status.read_text().rpartition(")")[2].split()[1])
            if parent == process.pid:
                family.append(int(status.parent.name))
    for number in family:
        with contextlib.suppress(ProcessLookupError):
            os.kill(number, signal.SIGKILL)
    process.wait()


# --- when a frame was played ------------------------------------------------------------------


def played_ns(heard: Heard, frames: NDArray[Any]) -> NDArray[np.float64]:
    """Host time of some frames of a capture, shape (n,); NaN where no callback was near."""
    first, called = heard.blocks[:, 0], heard.blocks[:, 1]
    frame_ns = NS_PER_SECOND / heard.rate
    late = called - first * frame_ns
    found = np.full(len(frames), np.nan)
    for index, frame in enumerate(frames):
        near = slice(*np.searchsorted(first, (frame - _WINDOW_FRAMES, frame + _WINDOW_FRAMES)))
        if near.stop > near.start:
            found[index] = frame * frame_ns + late[near].min()
    return found


def resolution_us(heard: Heard) -> float:
    """How far two neighbouring seconds disagree about when a frame was played: 95 % are within."""
    first, called = heard.blocks[:, 0], heard.blocks[:, 1]
    late = called - first * (NS_PER_SECOND / heard.rate)
    seconds = first // heard.rate
    edges = [late[seconds == second].min() for second in np.unique(seconds)]
    return float(np.quantile(np.abs(np.diff(edges)), 0.95)) / 1000


def offsets_ms(
    reference: NDArray[np.float64], ours: NDArray[np.float64], *, beat_s: float = 60 / CLICK_QPM
) -> NDArray[np.float64]:
    """How late our clicks are against the grid that the others make, shape (n,), ms.

    The grid goes on in whole beats beyond the last of the others. Both shapes (k,), ns.
    """
    found = []
    for click in ours:
        nearest = reference[np.abs(reference - click).argmin()]
        beats = round((click - nearest) / (beat_s * NS_PER_SECOND))
        found.append((click - nearest) / 1e6 - beats * beat_s * 1000)
    return np.array(found)
