"""What we send, as a receiver reads it that keeps to the MIDI 1.0 rules of clock and position.

*MIDI 1.0 Detailed Specification*, Document Version 4.2.1, MIDI Manufacturers
Association, 1996, p. 27-32: a receiver counts clocks while it runs; the first one after
Start is position 0; a song position is six clocks and is taken while stopped only; the
first clock after Continue is the position itself, and Stop keeps what has been counted.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction

import pytest
from building import RIG, Engine, item, program_of, section, song
from doubles import Double
from leading import CLOCK, CONTINUE, FOLLOWING_RIG, START, STOP, Box, clock_frames, follow_box
from leading import position as told_position

from syncbox.engine.returning import Refresh, refresh
from syncbox.engine.run import LegRun
from syncbox.engine.transport import Command, packed
from syncbox.schedule.entry import StartAt
from syncbox.score.meter import Meter
from syncbox.score.rig import SetEntry, Then
from syncbox.score.song import CountIn, Hold, Song

RATE = 48_000
TICKS_A_CLOCK = 840  # ours: 20160 a quarter note, 24 clocks
CLOCKS_A_POSITION = 6  # p. 27
PORTS = tuple(
    replace(port, clock=True, start_stop=True, song_position=True, offset_ms=Fraction(offset))
    for port, offset in zip(RIG.ports, (0, 4, -6), strict=True)
)
STAGE = replace(RIG, ports=PORTS)


@dataclass
class Receiver:
    """By the letter of the specification."""

    runs: bool = False
    clock: int = -1  # the number of the next clock; -1: it has just been switched on
    told_while_running: int = 0

    def hear(self, data: bytes) -> int | None:
        """The number of a clock that counts."""
        if data == START:
            self.runs, self.clock = True, 0
        elif data == CONTINUE:
            self.runs = True
        elif data == STOP:
            self.runs = False
        elif data[0] == 0xF2:
            if self.runs:
                self.told_while_running += 1
            else:
                self.clock = CLOCKS_A_POSITION * (data[1] + 128 * data[2])
        elif data == CLOCK and self.runs:
            self.clock += 1
            return self.clock - 1
        return None


@dataclass
class Stage:
    """An engine with a receiver on each port; what the song says is written down beside it."""

    engine: Engine
    receivers: list[Receiver] = field(default_factory=lambda: [Receiver() for _ in PORTS])
    runs: list[LegRun] = field(default_factory=list)
    counted: list[int] = field(default_factory=lambda: [0 for _ in PORTS])
    heard: int = 0

    def press(self, *commands: int) -> None:
        for command in commands:
            self.engine.state.press(command)
        self.turn(1)

    def turn(self, blocks: int) -> None:
        for _ in range(blocks):
            self.engine.turn()
            self.take()

    def take(self) -> None:
        self.runs += [run for run in self.engine.state.runs if run not in self.runs]
        for frame, port, data, _ in self.engine.midi[self.heard :]:
            number = self.receivers[port].hear(data)
            if number is not None:
                self.counted[port] += 1
                shift = self.engine.state.outboxes[port].shift
                assert number == self.written(frame - shift), (frame, port)
        self.heard = len(self.engine.midi)

    def written(self, frame: int) -> float | None:
        """The clock of the song that lies at a frame, whatever was sent."""
        for run in reversed(self.runs):
            if run.leg.counted and run.start_frame <= frame + 1 and frame < run.end_frame:
                interval = Fraction(60 * RATE) / (24 * run.leg.first_qpm) * run.stretch
                tick = (frame - run.start) / interval * TICKS_A_CLOCK
                number = (run.leg.route_tick + tick) / TICKS_A_CLOCK
                return round(number) if abs(number - round(number)) < Fraction(1, 50) else -1.5
        return None

    def finish(self) -> None:
        assert all(receiver.told_while_running == 0 for receiver in self.receivers)
        assert all(count > 48 for count in self.counted)


def four(meter: Meter | None = None, **more: object) -> Song:
    return song(*(section(name, 4) for name in "ABCD"), meter=meter or Meter.of(4, 4), **more)


def playing(written: Song, *others: Song, blocks: int = 500, **more: object) -> Stage:
    stage = Stage(Engine(program_of(written, *others, rig=STAGE, **more)))  # type: ignore[arg-type]
    stage.press(Command.START)
    stage.turn(blocks)
    return stage


@pytest.mark.parametrize("meter", [Meter.of(4, 4), Meter.of(7, 8, (2, 2, 3)), Meter.of(3, 4)])
@pytest.mark.parametrize(
    "commands",
    [
        [packed(Command.JUMP_AT_BAR, 2)],
        [packed(Command.JUMP_AT_BAR, 2), packed(Command.TEMPO_TRIM, 70)],
        [packed(Command.TEMPO_TRIM, -120), packed(Command.JUMP_AT_BAR, 0)],
        [packed(Command.JUMP_AT_END, 3)],
        [Command.REPEAT_SECTION],
        [packed(Command.JUMP_AT_BAR, 3), packed(Command.JUMP_AT_BAR, 1)],
    ],
)
def test_after_a_jump_a_receiver_is_where_the_music_is(meter: Meter, commands: list[int]) -> None:
    stage = playing(four(meter))
    stage.press(*commands)
    stage.turn(2500)
    stage.finish()


def test_a_start_in_the_middle_is_a_position_and_continue() -> None:
    stage = playing(four(count_in=CountIn(bars=1)), start=StartAt(0, "C"), blocks=1500)
    stage.finish()
    assert stage.receivers[0].clock > 8 * 96


def test_after_a_hold_a_receiver_goes_on_where_it_was() -> None:
    held = song(section("A", 2, item(Hold(), 2, 3)), section("B", 4))
    stage = playing(held, blocks=900)
    stage.press(Command.CUE)
    stage.turn(1000)
    stage.finish()


def test_stop_and_start_begin_at_the_top_again() -> None:
    stage = playing(four())
    stage.press(Command.STOP)
    stage.turn(100)
    stage.press(Command.START)
    stage.turn(500)
    stage.finish()


@pytest.mark.parametrize("then", [Then.SEGUE, Then.GAP])
def test_the_next_song_is_counted_from_its_own_top(then: Then) -> None:
    entries = (SetEntry("song-0", then, Fraction(1, 3)), SetEntry("song-1"))
    stage = playing(song(section("A", 2)), four(), entries=entries, blocks=1800)
    stage.finish()
    assert stage.engine.state.song_index == 1


@pytest.mark.parametrize("blocks", [300, 433, 566])
@pytest.mark.parametrize("pressed", [None, packed(Command.JUMP_AT_BAR, 2)])
def test_a_receiver_that_was_switched_off_and_on_is_brought_to_the_place(
    blocks: int, pressed: int | None
) -> None:
    stage = playing(four(), blocks=blocks)
    stage.receivers[0] = Receiver()
    before = stage.counted[0]
    stage.press(packed(Command.REFRESH_PORT, refresh(0, Refresh.WHOLE)))
    if pressed is not None:
        stage.press(pressed)
    stage.turn(900)
    stage.finish()
    assert stage.counted[0] > before + 48


@pytest.mark.parametrize("blocks", [100, 371, 640])
def test_after_another_engine_has_taken_over_receivers_are_where_the_music_is(blocks: int) -> None:
    first = playing(four(), blocks=1)
    double = Double(first.engine)
    double.turn(blocks)
    first.take()
    other = double.other()
    # The host has sent Stop to every port, and says then that they are there.
    receivers = [Receiver(clock=each.clock) for each in first.receivers]
    stage = Stage(other, receivers)
    stage.press(*(packed(Command.REFRESH_PORT, refresh(n, Refresh.MISSED)) for n in range(3)))
    stage.turn(1200)
    stage.finish()


@pytest.mark.parametrize("into", [48, 95, 96, 97, 200])
def test_a_receiver_behind_us_follows_a_leader_that_locates_and_continues(into: int) -> None:
    rig = replace(FOLLOWING_RIG, ports=PORTS)
    stage = Stage(Engine(program_of(four(), rig=rig)))
    box = Box()
    frames = clock_frames(5_000, [120.0] * 1200)
    box.clocks(frames)
    box.say(frames[60] - 300, START)
    box.say(frames[60 + into] - 300, STOP)
    box.say(frames[400] - 300, CONTINUE)
    box.say(frames[500] - 300, STOP)
    box.say(frames[520] + 300, told_position(into))
    box.say(frames[600] - 300, CONTINUE)
    for end in range(10_000, int(frames[800]), 2_000):
        rest = Box([row for row in box.sent if row[1] >= stage.engine.state.next_frame])
        follow_box(stage.engine, rest, end)
        stage.runs += [run for run in stage.engine.state.runs if run not in stage.runs]
    for _, port, data, _ in stage.engine.midi:
        stage.receivers[port].hear(data)
    heard = 6 * into + 200
    for receiver in stage.receivers:
        assert receiver.told_while_running == 0
        assert abs(receiver.clock - heard) <= 3  # ports are early and late, the leader is ahead
