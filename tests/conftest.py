from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass

import pytest
from needs import is_missing


def pytest_configure() -> None:
    """What tests start heeds Ctrl-C: a shell lets jobs in the background ignore it, and theirs."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Play a test that failed against the clock on the wall again, twice at most.

    Its processes may have stood still at the moment that mattered, which says nothing about the
    project. What is really broken fails each time; the closing line counts the reruns.
    """
    for item in items:
        if item.get_closest_marker("wall_clock") or item.get_closest_marker("jack"):
            item.add_marker(pytest.mark.flaky(reruns=2, reruns_delay=2))


@dataclass
class JackServer:
    name: str
    process: subprocess.Popen[bytes]


@contextmanager
def running_jackd(*, rate: int = 48_000, block_frames: int = 256) -> Iterator[JackServer]:
    """A real JACK server on its dummy driver, under a name that nobody else uses."""
    if shutil.which("jackd") is None:
        is_missing("jackd", "jackd2")
    name = f"syncbox-test-{os.getpid()}-{rate}-{block_frames}"
    command = ["jackd", "--no-realtime", "-n", name, "-d", "dummy"]
    command += ["-r", str(rate), "-p", str(block_frames)]
    server = _that_answers(name, command)
    try:
        yield JackServer(name, server)
    finally:
        _end(server)


def _that_answers(name: str, command: list[str]) -> subprocess.Popen[bytes]:
    """A running server; a busy machine may need more than one try."""
    for _ in range(3):
        server = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        if _answers(name) and server.poll() is None:
            return server
        _end(server)
    raise AssertionError("jackd did not start")


def _answers(name: str) -> bool:
    if shutil.which("jack_wait") is None:
        time.sleep(2)
        return True
    ask = ["jack_wait", "-s", name, "-w", "-t", "10"]
    return subprocess.run(ask, capture_output=True, check=False).returncode == 0


def _end(server: subprocess.Popen[bytes]) -> None:
    server.terminate()
    try:
        server.wait(20)  # one that is killed keeps one of the eight places that JACK has
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()


@pytest.fixture(scope="session")
def jack_server() -> Iterator[str]:
    """Name of a JACK server at 48 kHz with blocks of 256 frames, on the dummy driver."""
    with running_jackd() as server:
        yield server.name


@pytest.fixture
def own_jack_server() -> Iterator[JackServer]:
    """Another one, for a test that ends the server or must be alone on it."""
    with running_jackd(block_frames=512) as server:
        yield server


@pytest.fixture
def start_jackd() -> Callable[..., AbstractContextManager[JackServer]]:
    """For a test whose server comes back."""
    return running_jackd
