"""A network between two computers on one: it delays, shuffles, loses, doubles, or is cut."""

from __future__ import annotations

import heapq
import random
import select
import socket
import threading
import time


class BadNetwork:
    """Send to `port` what shall arrive at `target`; answers go back the same way."""

    def __init__(self, target: int, *, seed: int = 0) -> None:
        self.delay_s = self.jitter_s = self.loss = self.double = 0.0
        self.cut = False
        self._random = random.Random(seed)
        self._target = ("127.0.0.1", target)
        self._front = self._socket()
        self._back = self._socket()
        self._client: tuple[str, int] | None = None
        self._waiting: list[tuple[float, int, bytes, bool]] = []
        self._count = 0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @staticmethod
    def _socket() -> socket.socket:
        made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        made.bind(("127.0.0.1", 0))
        return made

    @property
    def port(self) -> int:
        return self._front.getsockname()[1]

    def _run(self) -> None:
        while not self._over.is_set():
            for ready in select.select([self._front, self._back], [], [], 0.002)[0]:
                try:
                    data, sender = ready.recvfrom(65_535)
                except OSError:
                    continue
                forward = ready is self._front
                if forward:
                    self._client = sender
                self._take(data, forward=forward)
            while self._waiting and self._waiting[0][0] <= time.monotonic():
                _, _, data, forward = heapq.heappop(self._waiting)
                to = self._target if forward else self._client
                if to is not None and not self.cut:
                    (self._back if forward else self._front).sendto(data, to)

    def _take(self, data: bytes, *, forward: bool) -> None:
        chance = self._random
        for _ in range(2 if chance.random() < self.double else 1):
            if chance.random() >= self.loss:
                self._count += 1
                due_s = time.monotonic() + self.delay_s + chance.uniform(0, self.jitter_s)
                heapq.heappush(self._waiting, (due_s, self._count, data, forward))

    def close(self) -> None:
        self._over.set()
        self._thread.join(2.0)
        self._front.close()
        self._back.close()

    def __enter__(self) -> BadNetwork:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
