"""Incoming bytes by the rules of the MIDI 1.0 Detailed Specification, Document Version 4.2.1."""

from __future__ import annotations

import pytest

from syncbox.midi.parser import Parser

# Bytes in, messages out, page of the specification.
VECTORS = [
    # Running status, the specification's own examples (p. A-1).
    ("90 3C 27 40 2B 43 25", ["90 3C 27", "90 40 2B", "90 43 25"], "A-1"),
    ("90 3C 27 3C 00 3E 29", ["90 3C 27", "90 3C 00", "90 3E 29"], "A-1"),
    # Real-time bytes stand between the bytes of other messages and touch nothing.
    ("90 F8 3C 40", ["F8", "90 3C 40"], "p. 30"),
    ("90 3C F8 40 3E F8 40", ["F8", "90 3C 40", "F8", "90 3E 40"], "p. 5, 30"),
    ("F0 7E F8 7F 06 01 F7", ["F8", "F0 7E 7F 06 01 F7"], "p. 29"),
    # A system common message clears running status; data without a status is ignored.
    ("90 3C 40 F2 04 00 40 40", ["90 3C 40", "F2 04 00"], "A-2"),
    # Any other status ends a system exclusive message.
    ("F0 7E 7F 06 90 3C 40", ["F0 7E 7F 06 F7", "90 3C 40"], "Table VII, note 2"),
    ("B0 7C 00 01 37", ["B0 7C 00", "B0 01 37"], "A-2"),
    # Undefined real-time bytes are ignored and leave running status; undefined common ones clear it
    ("90 3C 40 F9 3E 40 FD 40 40", ["90 3C 40", "90 3E 40", "90 40 40"], "A-2"),
    ("90 3C 40 F4 3E 40", ["90 3C 40"], "A-2"),
    # Active sensing may come at any time and is no reason to do anything by itself.
    ("90 FE 3C FE 40 FE", ["90 3C 40"], "p. 32"),
    # Reset is never passed on.
    ("FF 90 3C 40", ["90 3C 40"], "p. 33"),
    # A second status byte before the data are complete begins anew.
    ("90 3C B0 40 7F", ["B0 40 7F"], "A-1"),
    ("F7 90 3C 40", ["90 3C 40"], "p. 29"),
]


@pytest.mark.parametrize(("sent", "wanted", "page"), VECTORS, ids=[v[0] for v in VECTORS])
def test_the_parser_by_the_specification(sent: str, wanted: list[str], page: str) -> None:
    found = Parser().feed(bytes.fromhex(sent))
    assert [message.hex(" ").upper() for message in found] == wanted, page
