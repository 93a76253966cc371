from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from building import RIG, Engine, item, play, program_of, section, song, songs
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from syncbox.engine.render import render_block
from syncbox.engine.script import CueScript
from syncbox.engine.transport import Command, State
from syncbox.schedule.entry import StartAt
from syncbox.score.layout import LegKind, lay_out
from syncbox.score.meter import Meter
from syncbox.score.rig import SetEntry, Then
from syncbox.score.song import (
    AudioKind,
    ControllerSend,
    CountIn,
    Hold,
    PatchChange,
    PlayAudio,
    Song,
)
from syncbox.units import TICKS_PER_CLOCK

RATE = 48_000
BAR = 96_000  # frames of 4/4 at 120


def counted_clocks(drawn: Song, script: CueScript) -> int:
    """Clocks that a song needs, from its legs alone."""
    total, vamps = 0, 0
    for leg in lay_out(drawn).legs:
        rounds = 1
        if leg.kind is LegKind.SECTION and leg.usual_rounds and leg.until.value == "cue":
            rounds = script.rounds_of(vamps, leg.usual_rounds)
            vamps += 1
        total += leg.ticks * rounds if leg.kind is LegKind.SECTION else 0
    return -(-total // TICKS_PER_CLOCK)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(songs(), st.integers(1, 5))
def test_every_port_gets_exactly_the_clocks_that_were_played(drawn: Song, rounds: int) -> None:
    script = CueScript(rounds=(rounds,))
    played = play(program_of(drawn, rate=8000), script=script, block_frames=3000)
    for port in (0, 2):
        clocks = played.frames("clock", port)
        assert len(clocks) == counted_clocks(drawn, script)
        assert clocks == sorted(set(clocks))


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(songs(), st.sampled_from([64, 1000, 3333]))
def test_the_block_size_changes_nothing(drawn: Song, block_frames: int) -> None:
    program = program_of(drawn, rate=8000)
    one, other = play(program, block_frames=4096), play(program, block_frames=block_frames)
    frames = min(one.audio.shape[1], other.audio.shape[1])
    assert np.array_equal(one.audio[:, :frames], other.audio[:, :frames])
    assert [e for e in one.midi if e[0] < frames] == [e for e in other.midi if e[0] < frames]


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(songs())
def test_start_and_continue_keep_their_distance_to_the_first_clock(drawn: Song) -> None:
    played = play(program_of(drawn, rate=RATE), block_frames=100_000)
    rolling = False
    since: int | None = None
    for frame, port, _, why in played.midi:
        if port != 0:
            continue
        if why in ("start", "continue"):
            assert not rolling
            rolling, since = True, frame
        elif why == "stop":
            assert rolling
            rolling = False
        elif why == "clock stopped":
            assert not rolling
        elif why == "clock":
            assert rolling
            if since is not None:  # MIDI 1.0 Detailed Specification 4.2.1, p. 30: 1 ms
                assert frame - since >= RATE // 1000
            since = None
    assert not rolling


@pytest.mark.parametrize("tempo", ["83", "97.3", "131", "149", "173.5", "211"])
def test_a_message_that_a_clock_pushes_on_goes_to_the_same_frame_in_any_block(tempo: str) -> None:
    changes = [item(PatchChange(name, "9"), bar) for bar in (2, 3) for name in ("organ", "lead")]
    changes += [item(PatchChange("organ", "5"), 4), item(PatchChange("lead", "2"), 4)]
    program = program_of(song(section("A", 4, *changes), tempo=Fraction(tempo)))
    whole = play(program, block_frames=4096).frames("patch")
    assert play(program, block_frames=64).frames("patch") == whole
    assert play(program, block_frames=100).frames("patch") == whole


def test_click_and_clock_agree_to_the_frame() -> None:
    played = play(program_of(song(section("A", 8), tempo=97)))
    loud = np.flatnonzero(played.audio[0])
    begins = loud[np.flatnonzero(np.diff(loud, prepend=-10) > 1)]
    assert begins.tolist() == played.frames("clock")[::24]


def test_clock_runs_while_stopped_only_where_wanted_and_at_the_coming_tempo() -> None:
    engine = Engine(program_of(song(section("A", 1), tempo=150)))
    engine.turn(40)
    stopped = engine.frames("clock stopped", 0)
    assert set(np.diff(stopped)) == {RATE * 60 // (150 * 24)}
    assert engine.frames("clock stopped", 2) == []


def test_a_patch_is_complete_and_loaded_at_its_bar_line() -> None:
    changes = (item(PatchChange("organ", "9")), item(PatchChange("lead", "7")))
    played = play(program_of(song(section("A", 2), section("B", 2, *changes))))
    downbeat = played.frames("clock")[0]
    sent = [(f, data) for f, port, data, why in played.midi if why == "patch" and port == 0]
    assert [data for _, data in sent] == [b"\xc1\x06", b"\xc0\x08"]  # the slowest first
    line = downbeat + 2 * BAR
    wire = 2 * 320 * RATE / 1_000_000
    assert sent[0][0] + wire + 0.120 * RATE <= line
    assert sent[1][0] + wire + 0.040 * RATE <= line
    assert sent[0][0] > line - 0.130 * RATE


def test_messages_keep_clear_of_the_clock_on_a_slow_wire() -> None:
    sends = [item(ControllerSend("organ", 10 + n, n), bar=2) for n in range(30)]
    played = play(program_of(song(section("A", 3, *sends), tempo=240)))
    byte = 320 * RATE / 1_000_000
    clocks = np.array(played.frames("clock") + played.frames("clock stopped"))
    slots = [f for f, port, _, why in played.midi if why == "controller" and port == 0]
    assert len(slots) == 30
    for frame in slots:
        inside = (clocks > frame - byte) & (clocks < frame + 3 * byte)
        assert not inside.any()
    assert all(b - a >= 3 * byte for a, b in pairwise(slots))
    second_bar = played.frames("clock")[96]
    assert slots[-1] + 3 * byte <= second_bar + byte


def test_a_selected_patch_is_not_sent_again() -> None:
    same = item(PatchChange("organ", "3"))
    sections = [section("A", 1, same), section("B", 1, same, passes=2), section("C", 1, same)]
    played = play(program_of(song(*sections)))
    assert len(played.frames("patch")) == 1


def test_the_coming_songs_patches_go_out_before_it_starts() -> None:
    first = song(section("A", 1, item(PatchChange("organ", "1"))))
    second = song(section("A", 1, item(PatchChange("organ", "2"))))
    engine = Engine(program_of(first, second))
    engine.turn()
    assert engine.frames("patch") == [16]  # right behind the clock byte on frame 0
    engine.press(Command.START)
    engine.turn_until(lambda now: now.songs_over == 1)
    over = engine.state.next_frame
    engine.turn(800)
    assert len(engine.frames("patch")) == 2
    assert engine.frames("patch")[1] == pytest.approx(over + 4 * RATE, abs=512)


def test_a_vamp_goes_round_until_the_cue_and_leaves_at_the_end_of_its_round() -> None:
    engine = Engine(program_of(song(section("V", 1, vamp_usual=2), section("B", 1))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.round_no == 7)
    assert engine.state.transport is State.VAMPING
    engine.press(Command.CUE)
    assert engine.state.now.cue_pending
    engine.turn_until(lambda now: now.transport == State.ROLLING)
    assert not engine.state.now.cue_pending
    engine.turn_until(lambda now: now.sets_over == 1)
    clocks = engine.frames("clock")
    assert len(clocks) == (7 + 1) * 96
    assert set(np.diff(clocks)) == {1000}


def test_a_cue_after_the_decision_counts_for_the_next_round() -> None:
    engine = Engine(program_of(song(section("V", 1, vamp_usual=2), section("B", 1))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.round_no == 2)
    begun = engine.state.now.beat_frame
    while engine.state.next_frame < begun + BAR - 256:
        engine.turn()
    engine.press(Command.CUE)  # the third round is decided already
    engine.turn_until(lambda now: now.sets_over == 1)
    assert len(engine.frames("clock")) == (3 + 1) * 96


def test_a_hold_waits_for_the_cue_with_the_receivers_stopped() -> None:
    written = song(section("A", 2, item(Hold(), bar=1, beat=4)))
    engine = Engine(program_of(written))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.transport == State.HOLDING)
    engine.turn(500)
    assert len(engine.frames("clock")) == 96
    assert len(engine.frames("stop")) == 1
    engine.press(Command.CUE)
    engine.turn_until(lambda now: now.sets_over == 1)
    assert len(engine.frames("clock")) == 192
    assert len(engine.frames("continue")) == 1
    resumed = engine.frames("clock")[96]
    assert 48 <= resumed - engine.frames("continue")[0] <= RATE // 100


def test_a_script_stands_in_for_the_cue() -> None:
    vamp = section("V", 1, vamp_usual=4)
    hold = section("H", 1, item(Hold(), beat=4))
    program = program_of(song(vamp, hold, section("B", 1)))
    script = CueScript(rounds=(2,), hold_seconds=(Fraction(1),))
    clocks = play(program, script=script).frames("clock")
    assert len(clocks) == 4 * 96
    assert clocks[3 * 96] - clocks[0] == 3 * BAR + RATE


def test_stop_silences_at_once_and_start_begins_again() -> None:
    engine = Engine(program_of(song(section("A", 8), count_in=CountIn(bars=1))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 3)
    engine.press(Command.STOP)
    assert engine.state.transport is State.STOPPED
    assert len(engine.frames("stop")) == 1
    engine.turn(4)
    engine.audio.clear()
    engine.turn(200)
    assert not np.any(np.concatenate(engine.audio, axis=1))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.sets_over == 1)
    assert len(engine.frames("start")) == 2


def test_stop_at_the_bar_line() -> None:
    engine = Engine(program_of(song(section("A", 8))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 3 and now.beat == 2)
    engine.press(Command.STOP_AT_BAR)
    engine.turn_until(lambda now: now.transport == State.STOPPED)
    clocks = engine.frames("clock")
    assert len(clocks) == 3 * 96
    assert engine.frames("stop") == [clocks[0] + 3 * BAR]


def test_a_segue_has_no_gap_and_receivers_start_anew() -> None:
    first, second = song(section("A", 2)), song(section("B", 2), count_in=CountIn(bars=1))
    entries = (SetEntry("song-0", then=Then.SEGUE), SetEntry("song-1"))
    played = play(program_of(first, second, entries=entries), songs=2)
    clocks = played.frames("clock")
    assert set(np.diff(clocks)) == {1000}
    assert len(clocks) == 4 * 96
    starts = played.frames("start")
    assert len(starts) == 2
    assert clocks[191] < played.frames("stop")[0] < starts[1] < clocks[192]


def test_a_gap_starts_the_next_song_by_itself() -> None:
    entries = (
        SetEntry("song-0", then=Then.GAP, gap_seconds=Fraction(3)),
        SetEntry("song-1"),
    )
    program = program_of(song(section("A", 1)), song(section("B", 1)), entries=entries)
    played = play(program, songs=2)
    clocks = played.frames("clock")
    assert clocks[96] - clocks[0] == BAR + 3 * RATE
    assert played.frames("stop")[0] == clocks[0] + BAR
    assert len(played.frames("start")) == 2


@pytest.mark.parametrize("gap_ms", [0, 10])
def test_a_gap_shorter_than_a_block_is_a_gap(gap_ms: int) -> None:
    gap = Fraction(gap_ms, 1000)
    entries = (SetEntry("song-0", then=Then.GAP, gap_seconds=gap), SetEntry("song-1"))
    program = program_of(song(section("A", 1)), song(section("B", 1)), entries=entries)
    for block_frames in (64, 4096):
        clocks = play(program, songs=2, block_frames=block_frames).frames("clock")
        assert len(clocks) == 192
        assert clocks[96] - clocks[0] == BAR + gap * RATE


def test_entering_at_a_bar_tells_position_and_restores_what_was_selected() -> None:
    written = song(
        section("A", 4, item(PatchChange("organ", "1")), item(PatchChange("choir", "4"))),
        section("B", 4, item(PatchChange("organ", "2")), item(ControllerSend("lead", 7, 90))),
        section("C", 4, item(PatchChange("organ", "3"))),
        count_in=CountIn(bars=1),
    )
    played = play(program_of(written, start=StartAt(0, "7")))
    first = played.frames("clock")[0]
    assert [data for _, _, data, why in played.midi if why == "song position"] == [
        bytes((0xF2, 6 * 16, 0))
    ]
    early = [
        data for f, _, data, why in played.midi if f < first and why in ("patch", "controller")
    ]
    assert sorted(early) == sorted([b"\xc0\x01", b"\xc0\x03", b"\xb1\x07\x5a"])
    assert len(played.frames("clock")) == 6 * 96
    assert played.frames("continue")[0] < first
    assert played.frames("start", 2) == []


def test_a_stem_is_joined_where_it_would_be_by_now() -> None:
    ramp = np.arange(20 * RATE, dtype=np.float32)[np.newaxis, :] / (40 * RATE)
    stem = item(PlayAudio("s.wav", "backing-band", AudioKind.STEM))
    written = song(section("A", 4, stem), section("B", 4), count_in=CountIn(bars=1))
    program = program_of(written, clips={"s.wav": ramp}, start=StartAt(0, "B"))
    played = play(program)
    first = played.frames("clock")[0]
    assert played.audio[2, first] == pytest.approx(4 * BAR / (40 * RATE), rel=1e-6)
    assert played.audio[2, first - 1] == 0.0


def test_a_loop_starts_on_its_bars_and_stops_with_its_section() -> None:
    loop = np.full((1, RATE), 0.25, dtype=np.float32)
    play_loop = item(PlayAudio("l.wav", "pads", AudioKind.LOOP, every_bars=1))
    program = program_of(song(section("A", 2, play_loop), section("B", 2)), clips={"l.wav": loop})
    played = play(program)
    first = played.frames("clock")[0]
    heard = np.flatnonzero(np.diff(np.concatenate([[0], played.audio[2] > 0.2]).astype(int)) == 1)
    assert heard.tolist() == [first, first + BAR]


def test_panic_silences_every_channel_in_order() -> None:
    engine = Engine(program_of(song(section("A", 1))))
    engine.press(Command.PANIC)
    engine.turn(20)
    organ = [data for _, port, data, why in engine.midi if why == "panic" and data[0] == 0xB0]
    assert [data[1] for data in organ if data][:4] == [64, 120, 121, 123]


def test_a_meaningless_press_changes_nothing() -> None:
    engine = Engine(program_of(song(section("A", 1))))
    engine.press(Command.CUE)
    assert engine.state.transport is State.STOPPED
    assert engine.state.now.refused_count == 1


def test_after_a_dropout_late_clicks_are_dropped_and_clocks_are_sent() -> None:
    engine = Engine(program_of(song(section("A", 4))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 2)
    lost = engine.state.next_frame + 30_000  # more than a beat
    engine.state.skip_to(lost)
    engine.turn()
    assert len([f for f in engine.frames("clock") if f >= lost]) >= 29
    engine.turn_until(lambda now: now.sets_over == 1)
    assert len(engine.frames("clock")) == 4 * 96
    assert engine.state.now.late_count > 0


def test_quitting_stops_fades_and_finishes() -> None:
    engine = Engine(program_of(song(section("A", 4))))
    engine.press(Command.START)
    engine.turn_until(lambda now: now.bar == 2)
    engine.press(Command.QUIT)
    engine.turn(4)
    assert engine.state.finished
    assert len(engine.frames("stop")) == 1


def test_odd_lengths_keep_the_clock_grid_through_joins() -> None:
    # 3/64 is four and a half clocks: the grid enters every second bar off a clock.
    written = song(section("A", 1, passes=4), meter=Meter.of(3, 64))
    clocks = play(program_of(written)).frames("clock")
    assert clocks == [clocks[0] + 1000 * n for n in range(18)]


@pytest.mark.parametrize("offset_ms", [-9, -3, 4, 12])
@pytest.mark.parametrize("block_frames", [64, 256, 1000])
def test_the_clock_while_stopped_leaves_at_its_ports_own_offset(
    offset_ms: int, block_frames: int
) -> None:
    ports = tuple(
        replace(port, clock=True, clock_when_stopped=True, offset_ms=Fraction(offset))
        for port, offset in zip(RIG.ports, (0, offset_ms, 0), strict=True)
    )
    engine = Engine(program_of(song(section("A", 4)), rig=replace(RIG, ports=ports)), block_frames)
    for _ in range(100_000 // block_frames):
        first = engine.state.next_frame
        block = render_block(engine.state, first, block_frames)
        assert all(0 <= offset < block_frames for offset, *_ in block.midi)
        engine.midi += [(first + o, port, data, why) for o, port, data, why in block.midi]
    sent = np.array(engine.frames("clock stopped", 1))  # every 1000 frames at 120
    assert set(sent % 1000) == {offset_ms * 48 % 1000}
    assert set(np.diff(sent)) == {1000}
    assert len(sent) >= 98
