"""The whole way through a real JACK server on its dummy driver, captured by a second client."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from bench_table import Options, Row, busy_processes

from syncbox.lab.measure import Wishes, measure
from syncbox.lab.report import Report

RATE, BLOCK_FRAMES, OUTPUTS = 48_000, 256, 8
CALLBACK_PART = 0.05
SOAK_S = 600.0


@contextmanager
def jack_server(block_frames: int = BLOCK_FRAMES) -> Iterator[str]:
    """A server of our own under a name that nobody else uses."""
    name = f"syncbox-bench-{os.getpid()}-{block_frames}"
    command = ["jackd", "--no-realtime", "-n", name, "-d", "dummy"]
    server = subprocess.Popen(
        [*command, "-r", str(RATE), "-p", str(block_frames)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        time.sleep(2)
        yield name
    finally:
        server.terminate()
        server.wait(5)


class Freewheel:
    """Lets the server run as fast as it can while the song plays."""

    def __init__(self, server: str) -> None:
        import jack

        self._client: Any = jack.Client("bench", no_start_server=True, servername=server)
        self._client.activate()
        self._on = False

    def __call__(self, part: float) -> None:
        wanted = 0.0 < part < 1.0
        if wanted != self._on:
            self._on = wanted
            self._client.set_freewheel(wanted)

    def close(self) -> None:
        if self._on:
            self._client.set_freewheel(False)
        self._client.close()


def _rows(found: Report, title: str, *, timed: bool) -> Iterator[Row]:
    told = found.as_json()
    trouble = (
        f"dropouts {found.dropouts}, xruns {found.xruns}, capture's own {found.spoilt}; "
        f"lost {found.lost}, doubled {found.doubled}"
    )
    for what, key, count in (
        ("click against ideal", "click_error_frames", told["clicks"]),
        ("clock against ideal", "clock_error_frames", told["clocks"]),
        ("clock against click", "clock_against_click_frames", len(found.clock_against_click)),
        ("patch against its schedule", "patch_error_frames", len(found.patches[0].errors)),
    ):
        worst = told[key]["max"]
        yield Row(
            f"{title}: {what}, largest of {count}",
            f"{worst} frames",
            "0 frames",
            worst == 0,
            trouble,
        )
    if timed:
        allowed_us = CALLBACK_PART * BLOCK_FRAMES / RATE * 1e6
        us = found.callback_us
        yield Row(
            f"{title}: callback p99, {OUTPUTS} outputs, {BLOCK_FRAMES} frames",
            f"{us['p99']} us",
            f"under {allowed_us:.0f} us",
            us["p99"] < allowed_us,
            f"p50 {us['p50']} us, longest {us['max']} us",
        )


def jack_exactness(options: Options) -> Iterator[Row]:
    """In real time, idle and beside two busy processes."""
    if shutil.which("jackd") is None:
        yield Row("jackd is not installed", "not measured")
        return
    seconds = options.seconds
    with jack_server() as server:
        wishes = Wishes(seconds=seconds, driver="jack", device=server, outputs=OUTPUTS)
        yield from _rows(measure(wishes), f"JACK, {seconds:.0f} s", timed=True)
        with busy_processes(2):
            found = measure(wishes)
        yield from _rows(found, f"JACK, {seconds:.0f} s, two busy processes", timed=True)


def jack_soak(options: Options) -> Iterator[Row]:
    """Freewheeling: the real driver and capture, faster than real time, so nothing is on time."""
    if shutil.which("jackd") is None:
        yield Row("jackd is not installed", "not measured")
        return
    seconds = SOAK_S / 10 if options.quick else SOAK_S
    with jack_server() as server:
        wishes = Wishes(seconds=seconds, driver="jack", device=server, outputs=OUTPUTS)
        wheel = Freewheel(server)
        began = time.perf_counter()
        try:
            found = measure(wishes, wheel)
        finally:
            wheel.close()
        took = time.perf_counter() - began
    yield from _rows(found, f"freewheel, {seconds:.0f} s in {took:.0f} s", timed=False)
