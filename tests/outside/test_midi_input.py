"""Incoming bytes by the rules of the MIDI 1.0 Detailed Specification, Document Version 4.2.1."""

from __future__ import annotations

from dataclasses import replace

import pytest
from building import RIG, Engine, program_of, section, song

from syncbox.engine.transport import Command
from syncbox.midi.parser import Parser
from syncbox.score.controls import Zone

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


# --- sustain against all notes off ----------------------------------------------------------------

ORGAN = Zone("keys", "organ")
DOWN, NOTE = b"\xb0\x40\x7f", b"\x90\x3c\x40"


class Receiver:
    """An instrument by the specification: a pedal that is down beats all notes off (p. A-5)."""

    def __init__(self) -> None:
        self.keys: set[int] = set()
        self.sounding: set[int] = set()
        self.pedal = False

    def take(self, data: bytes) -> None:
        status, number = data[0] & 0xF0, data[1]
        if status == 0x90 and data[2]:
            self.keys.add(number)
            self.sounding.add(number)
        elif status in (0x80, 0x90):
            self.keys.discard(number)
        elif data[:2] == b"\xb0\x40":
            self.pedal = data[2] >= 64  # 0 to 63 off, 64 to 127 on (p. 12)
        elif data[:2] == b"\xb0\x7b":
            self.keys.clear()
        elif data[:2] == b"\xb0\x78":
            self.keys.clear()
            self.sounding.clear()
        if not self.pedal:
            self.sounding &= self.keys


def test_the_receiver_itself_keeps_the_rule() -> None:
    box = Receiver()
    for data in (NOTE, DOWN, b"\xb0\x7b\x00"):
        box.take(data)
    assert box.sounding == {0x3C}
    box.take(b"\xb0\x40\x00")
    assert box.sounding == set()


@pytest.mark.parametrize("end", ["panic", "pulled", "quit", "all notes off"])
def test_whatever_ends_the_hands_ends_the_sound_with_the_pedal_down(end: str) -> None:
    rig = replace(RIG, input_ports={"keys": "*"}, zones=(ORGAN,))
    engine = Engine(program_of(song(section("A", 1)), rig=rig))
    engine.turn(50)
    engine.state.hear(0, 0, NOTE + DOWN + b"\x80\x3c\x40" + b"\x90\x40\x50")
    engine.turn()
    if end == "panic":
        engine.state.press(Command.PANIC)
    elif end == "quit":
        engine.state.press(Command.QUIT)
    elif end == "pulled":
        engine.state.input_gone(0)
    else:
        engine.state.hear(0, 0, b"\xb0\x7b\x00")
    engine.turn(40)
    box = Receiver()
    for _, port, data, _ in engine.midi:
        if port == 0 and data[0] < 0xF0 and data[0] & 0x0F == 0:
            box.take(data)
    assert not box.pedal
    assert box.sounding == set()
    # All Notes Off never stands in for Note Offs (p. 25): each note has its own.
    data = [data for _, port, data, why in engine.midi if port == 0 and why == "played"]
    assert [d[1] for d in data if d[0] == 0x90] == [0x3C, 0x40]
    assert sorted(d[1] for d in data if d[0] == 0x80) == [0x3C, 0x40]
