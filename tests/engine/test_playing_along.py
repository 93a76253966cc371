"""A whole engine with someone playing and pressing everything: nothing hangs at the end."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from building import RIG, Engine, item, program_of, section, song
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from syncbox.engine.transport import Command, packed
from syncbox.score.controls import Control, Sign, SignKind, Zone
from syncbox.score.song import PatchChange

ORGAN = replace(RIG.instruments[0], when_released=True)
STAGE = replace(
    RIG,
    instruments=(ORGAN, *RIG.instruments[1:]),
    controls=(Control("cue", "keys", Sign(SignKind.NOTE, 40, 40)),),
    input_ports={"keys": "*"},
    zones=(Zone("keys", "organ"),),
)
WRITTEN = song(
    section("A", 1, zones=(Zone("keys", "lead", transpose=1), Zone("keys", "organ", high=42))),
    section("B", 1, item(PatchChange("organ", "5")), vamp_usual=2),
    section("C", 1, zones=(Zone("keys", "choir", pedals=frozenset()),)),
    tempo=200,
)
PROGRAM = program_of(WRITTEN, WRITTEN, rig=STAGE, rate=8000)

presses = st.sampled_from(
    [
        Command.START,
        Command.STOP,
        Command.CUE,
        Command.PANIC,
        Command.NEXT_SONG,
        Command.STOP_AT_BAR,
        Command.REPEAT_SECTION,
        packed(Command.JUMP_AT_BAR, 2),
        packed(Command.JUMP_AT_END, 0),
    ]
)
notes = st.integers(39, 45)
played = st.one_of(
    st.builds(lambda note, velocity: bytes((0x90, note, velocity)), notes, st.integers(0, 127)),
    st.builds(lambda value: bytes((0xB0, 64, value)), st.sampled_from([0, 30, 127])),
)
steps = st.lists(st.tuples(st.integers(0, 40), st.one_of(presses, played)), max_size=40)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(steps)
def test_every_note_that_began_has_ended_once(drawn: list[tuple[int, int | bytes]]) -> None:
    engine = Engine(PROGRAM, block_frames=128)
    for wait, step in drawn:
        engine.turn(wait)
        if isinstance(step, bytes):
            engine.state.hear(wait, 0, step)
        else:
            engine.state.press(step)
    engine.turn()
    engine.state.hear(0, 0, b"".join(bytes((0x80, note, 64)) for note in range(39, 46)))
    engine.state.hear(0, 0, b"\xb0\x40\x00")
    engine.turn(60)  # a burst on the slow wire may still be before them
    sounding: Counter[tuple[int, int, int]] = Counter()
    pedals: dict[tuple[int, int], int] = {}
    for _, port, data, _ in engine.midi:
        status, channel = data[0] & 0xF0, data[0] & 0x0F
        if status == 0x90:
            sounding[port, channel, data[1]] += 1
            assert sounding[port, channel, data[1]] == 1
        elif status == 0x80:
            sounding[port, channel, data[1]] -= 1
            assert sounding[port, channel, data[1]] == 0
        elif status == 0xB0 and data[1] == 64:
            pedals[port, channel] = data[2]
    assert not any(sounding.values())
    assert all(value < 64 for value in pedals.values())
    assert engine.state.hearing.put_off == [] or engine.state.tail is not None
