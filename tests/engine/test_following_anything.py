"""Whatever a leader sends and a person presses beside it, the engine goes on and stays in order."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
from building import Engine, item, program_of, section, song
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from leading import CLOCK, CONTINUE, FOLLOWING_RIG, START, STOP, Box, follow_box, position

from syncbox.engine.transport import Command, packed
from syncbox.score.meter import Meter
from syncbox.score.rig import SetEntry, Then
from syncbox.score.song import Hold, MeterChange, PatchChange, Ramp, Song, Span

EARLY_AND_LATE = replace(
    FOLLOWING_RIG,
    ports=tuple(
        replace(port, offset_ms=Fraction(offset))
        for port, offset in zip(FOLLOWING_RIG.ports, (-7, 0, 5), strict=True)
    ),
)
SONGS: tuple[Song, ...] = (
    song(
        section("A", 2, item(PatchChange("organ", "1")), item(Ramp(Fraction(140), Span(bars=1)))),
        section("V", 1, item(MeterChange(Meter.of(7, 8, (2, 2, 3)))), vamp_usual=2),
        section("B", 2, item(Hold(usual_seconds=Fraction(1)), 2), passes=2),
    ),
    song(section("C", 2, item(MeterChange(Meter.of(5, 64)), 2)), tempo=90),
    song(section("D", 2, item(Hold(seconds=Fraction(1, 3)), 1, 3)), tempo=132),
)
ENTRIES = (SetEntry("song-0", Then.SEGUE), SetEntry("song-1", Then.GAP), SetEntry("song-2"))
PRESSES = (
    Command.START,
    Command.STOP,
    Command.STOP_AT_BAR,
    Command.CUE,
    Command.CUE,
    Command.NEXT_SONG,
    Command.REPEAT_SECTION,
    Command.TEMPO_UP,
    Command.HIT_STICK,
    Command.PANIC,
    packed(Command.JUMP_AT_BAR, 1),
    packed(Command.JUMP_AT_END, 0),
)
# What happens next: (clocks of the leader before it, what)
deeds = st.lists(
    st.tuples(
        st.integers(0, 70),
        st.one_of(
            st.sampled_from([START, START, CONTINUE, STOP]),
            st.builds(position, st.integers(0, 80)),
            st.sampled_from(PRESSES),
            st.sampled_from(["pause", "lost", "double", "faster", "slower"]),
        ),
    ),
    min_size=2,
    max_size=25,
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(deeds=deeds, seed=st.integers(0, 1000), jitter=st.sampled_from([0, 100, 240]))
def test_anything(deeds: list[tuple[int, bytes | int | str]], seed: int, jitter: int) -> None:
    engine = Engine(program_of(*SONGS, rig=EARLY_AND_LATE, entries=ENTRIES), block_frames=512)
    rng = np.random.default_rng(seed)
    frame, step = 3_000.0, 1_000.0
    for clocks, deed in deeds:
        late = rng.uniform(-jitter, jitter, clocks)
        frame = _send(engine, frame + step * np.arange(clocks + 1), late, deed)
        step *= {"faster": 0.9, "slower": 1.15}.get(str(deed), 1.0)
        if isinstance(deed, int):
            engine.press(deed)
        frame = max(frame, engine.state.next_frame + 260.0)
    engine.turn(100)
    for port in (0, 2):
        clocks_sent = [frame for frame, at, data, _ in engine.midi if at == port and data == CLOCK]
        assert clocks_sent == sorted(clocks_sent)
    told = {"start": True, "continue": True, "stop": False}
    running = [told[why] for _, port, _, why in engine.midi if port == 0 and why in told]
    assert all(before != after for before, after in pairwise([False, *running]))
    _no_counted_clock_outside(engine)


def _send(engine: Engine, frames: np.ndarray, late: np.ndarray, deed: bytes | int | str) -> float:
    """Clocks of the leader and what it does before the last of these frames; its next frame."""
    box, end = Box(), float(frames[-1])
    for number, frame in enumerate(frames[:-1]):
        if (deed, number) != ("lost", len(late) // 2):
            box.clocks([frame], late[number : number + 1])
    if deed == "double":
        box.say(end - 950, CLOCK)
    elif isinstance(deed, bytes):
        box.say(end - 500, deed)
    follow_box(engine, box, int(end))
    return end + (30_000 if deed == "pause" else 0)


def _no_counted_clock_outside(engine: Engine) -> None:
    """On a port that is told, counted clocks come between Start or Continue and Stop only."""
    runs = False
    for _, port, _, why in engine.midi:
        if port != 0:
            continue
        if why in ("start", "continue", "stop"):
            runs = why != "stop"
        elif why == "clock":
            assert runs
