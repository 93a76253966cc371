"""A network between two computers that delays, shuffles, loses, doubles, or is cut.

What is sent to its `port` goes on to a target, and what the target answers comes back, with
chances that follow from a seed. As a process of its own:

    python -m syncbox.lab.bad_network PORT TARGET_ADDRESS TARGET_PORT DELAY_S JITTER_S LOSS DOUBLE
"""

from __future__ import annotations

import contextlib
import heapq
import random
import select
import socket
import sys
import threading
import time

Address = tuple[str, int]


class BadNetwork:
    """The way there and back. Use it as a context manager; set its faults at any time."""

    def __init__(self, target: Address, *, port: int = 0, seed: int = 0) -> None:
        self.delay_s = self.jitter_s = self.loss = self.double = 0.0
        self.cut = False
        self._random = random.Random(seed)
        self._target = target
        self._front = _socket(port)
        self._back = _socket(0)
        self._client: Address | None = None
        self._waiting: list[tuple[float, int, bytes, bool]] = []
        self._count = 0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="bad network", daemon=True)
        self._thread.start()

    @property
    def port(self) -> int:
        """Where to send to."""
        return int(self._front.getsockname()[1])

    def _run(self) -> None:
        while not self._over.is_set():
            for ready in select.select([self._front, self._back], [], [], 0.002)[0]:
                with contextlib.suppress(OSError):  # the other side is not there yet
                    data, sender = ready.recvfrom(65_535)
                    if ready is self._front:
                        self._client = sender
                    self._take(data, forward=ready is self._front)
            while self._waiting and self._waiting[0][0] <= time.monotonic():
                _, _, data, forward = heapq.heappop(self._waiting)
                self._pass_on(data, forward=forward)

    def _take(self, data: bytes, *, forward: bool) -> None:
        chance = self._random
        for _ in range(2 if chance.random() < self.double else 1):
            if chance.random() >= self.loss:
                self._count += 1
                due_s = time.monotonic() + self.delay_s + chance.uniform(0, self.jitter_s)
                heapq.heappush(self._waiting, (due_s, self._count, data, forward))

    def _pass_on(self, data: bytes, *, forward: bool) -> None:
        to = self._target if forward else self._client
        if to is not None and not self.cut:
            with contextlib.suppress(OSError):
                (self._back if forward else self._front).sendto(data, to)

    def close(self) -> None:
        self._over.set()
        self._thread.join(2.0)
        self._front.close()
        self._back.close()

    def __enter__(self) -> BadNetwork:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _socket(port: int) -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    made.bind(("", port))
    return made


def main() -> None:
    """Entry of the process."""
    port, address, target, *faults = sys.argv[1:]
    network = BadNetwork((address, int(target)), port=int(port))
    network.delay_s, network.jitter_s, network.loss, network.double = map(float, faults)
    threading.Event().wait()


if __name__ == "__main__":
    main()
