"""The event log: every MIDI message of a rendered song, one JSON object a line.

    {"frame": 12000, "port": "keys", "bytes": "c0 05", "why": "patch"}

`frame` counts from the first frame of the sound files, so what is sent before it has
negative frames. Lines are in sending order.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import BinaryIO


class EventLog:
    """Writes events to an open binary file as UTF-8 with Unix line ends."""

    def __init__(self, file: BinaryIO, ports: Sequence[str]) -> None:
        """`ports`: names by the port index that events carry."""
        self._file = file
        self._ports = ports
        self._tails: dict[tuple[int, bytes, str], str] = {}  # nearly all events are clocks

    def write(self, events: Iterable[tuple[int, int, bytes, str]], first_frame: int) -> None:
        """Events of a block as (offset from `first_frame`, port index, message, why)."""
        lines = []
        for offset, port, data, why in events:
            key = (port, data, why)
            tail = self._tails.get(key)
            if tail is None:
                tail = self._tails[key] = self._tail(port, data, why)
            lines.append(f'{{"frame": {first_frame + offset}, {tail}\n')
        if lines:
            self._file.write("".join(lines).encode())

    def _tail(self, port: int, data: bytes, why: str) -> str:
        shown = {"port": self._ports[port], "bytes": data.hex(" "), "why": why}
        return json.dumps(shown, ensure_ascii=False)[1:]
