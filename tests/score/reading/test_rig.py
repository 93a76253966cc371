"""rig.yaml and setlist.yaml become the records they describe."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from syncbox.score.controls import Control, Sign, SignKind
from syncbox.score.problem import Problem
from syncbox.score.reading.rig import draft_set, read_rig
from syncbox.score.rig import (
    BankCount,
    Instrument,
    MidiPort,
    Mix,
    Panel,
    ProgramCount,
    Rig,
    SetEntry,
    TempoTrim,
    Then,
    Wire,
)

RIG = """\
syncbox: 1
ports:
  stage: {match: "*stage*", offset: -3 ms, clock: yes, start-stop: on, song-position: true}
  usb: {match: "b", wire: usb, clock-when-stopped: no, patches: no}
instruments:
  organ: {port: stage, channel: 01, loading: 40 ms, patches: {Soft: 010}}
  lead: {port: usb, channel: 16, programs: groups of 8, banks: msb and lsb}
mixes:
  drummer: {outputs: 1-2, levels: {click: 0 dB, backing: -9}, ceiling: -9 dB}
  keys: {outputs: [3], levels: {click: off}}
inputs: {pedals: "*pedal*"}
controls:
  - {does: cue, port: pedals, message: controller 64}
"""


def mistakes(text: str) -> list[tuple[str, str, str]]:
    problems: list[Problem] = []
    assert read_rig(text, "rig.yaml", problems) is None
    return [(f"{p.place.line}:{p.place.column}", p.what, p.hint) for p in problems]


def test_a_whole_rig() -> None:
    problems: list[Problem] = []
    rig = read_rig(RIG, "rig.yaml", problems)
    assert problems == []
    assert rig == Rig(
        (
            MidiPort("stage", "*stage*", Wire.DIN, Fraction(-3), True, True, True, True, True),
            MidiPort("usb", "b", Wire.USB, clock_when_stopped=False, patches=False),
        ),
        (
            Instrument("organ", "stage", 1, Panel(), Fraction(40), {"Soft": "010"}),
            Instrument("lead", "usb", 16, Panel(ProgramCount.EIGHTS, BankCount.PAIR)),
        ),
        (
            Mix("drummer", (1, 2), {"click": 0.0, "backing": -9.0}, -9.0),
            Mix("keys", (3,), {"click": -math.inf}),
        ),
        (Control("cue", "pedals", Sign(SignKind.CONTROLLER, 64, 64)),),
        {"pedals": "*pedal*"},
    )
    assert str(rig.instruments[1].place) == "rig.yaml:7:3"


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "port: usb",
            "port: ubs",
            ("7:16", "'ubs' is not one of the ports", "did you mean 'usb'?"),
        ),
        ("port: pedals", "port: x", ("13:23", "'x' is not one of the inputs", "")),
        ("channel: 16", "channel: 17", ("7:30", "'17' is out of range", "write 1 to 16")),
        ("1-2", "1-1", ("9:22", "a mix goes to one output or to two different ones", "")),
        ("[3]", "[3, 4, 5]", ("10:19", "a mix goes to one output or to two different ones", "")),
        ("0 dB", "3 dB", ("9:43", "'3 dB' is out of range", "0 dB is the loudest")),
        ("groups of 8", "from 2", ("7:44", "'from 2' is not known here", "did you mean 'from 1'?")),
        ("wire: usb", "wire: uba", ("4:27", "'uba' is not known here", "did you mean 'usb'?")),
        ("controller 64", "pedal 64", ("13:40", "'pedal 64' is not a message", "")),
        ("controller 64", "controller 128", ("13:40", "'128' is out of range", "write 0 to 127")),
        ("does: cue", "does: go", ("13:12", "'go' is not known here", "write 'start'")),
        ('match: "b", ', "", ("4:8", "a port needs 'match'", "add it: which port")),
    ],
)
def test_mistakes_in_a_rig(old: str, new: str, expected: tuple[str, str, str]) -> None:
    ((place, what, hint),) = mistakes(RIG.replace(old, new, 1))
    assert (place, what) == expected[:2]
    assert hint.startswith(expected[2])


def test_a_set_list() -> None:
    problems: list[Problem] = []
    draft = draft_set(
        "syncbox: 1\ntitle: T\nslot: 90 min\nsongs:\n  - a\n"
        "  - {song: b, then: gap 5 s, tempo: +2 %, skip: Solo, patches: {Verse: {organ: 12}}}\n",
        "setlist.yaml",
        problems,
    )
    assert problems == []
    assert draft is not None
    assert (draft.set_list.title, draft.set_list.slot_seconds) == ("T", 5400)
    assert draft.set_list.entries == (
        SetEntry("a"),
        SetEntry(
            "b",
            Then.GAP,
            Fraction(5),
            TempoTrim(Fraction(51, 50)),
            ("Solo",),
            {"Verse": {"organ": "12"}},
        ),
    )
