"""Bytes and counts against the MIDI 1.0 Detailed Specification 4.2.1 (MMA, 1996)."""

import mido
import pytest

from syncbox.midi import messages
from syncbox.score.meter import Meter
from syncbox.units import TICKS_PER_CLOCK, TICKS_PER_SONG_POSITION


def test_single_bytes():
    # Table VI (system real time).
    assert messages.clock() == b"\xf8"
    assert messages.start() == b"\xfa"
    assert messages.continue_() == b"\xfb"
    assert messages.stop() == b"\xfc"


# Table V: F2, then the low and the high seven bits. Clocks: p. 27, six to each MIDI beat.
SONG_POSITIONS = [
    (0, "f2 00 00", 0),
    (1, "f2 01 00", 6),
    (4, "f2 04 00", 24),
    (10, "f2 0a 00", 60),
    (16, "f2 10 00", 96),
    (64, "f2 40 00", 384),
    (127, "f2 7f 00", 762),
    (128, "f2 00 01", 768),
    (129, "f2 01 01", 774),
    (256, "f2 00 02", 1536),
    (1000, "f2 68 07", 6000),
    (8192, "f2 00 40", 49_152),
    (16_383, "f2 7f 7f", 98_298),
]


@pytest.mark.parametrize(("position", "shown", "clocks"), SONG_POSITIONS)
def test_song_position_table(position, shown, clocks):
    assert messages.song_position(position) == bytes.fromhex(shown)
    assert messages.song_position(position) == bytes(mido.Message("songpos", pos=position).bytes())
    assert position * TICKS_PER_SONG_POSITION == clocks * TICKS_PER_CLOCK


def test_worked_example_of_the_specification():
    # p. 27: song position 10 is 60 clocks; at 96 ticks to the quarter, 240 ticks.
    clocks = 10 * TICKS_PER_SONG_POSITION // TICKS_PER_CLOCK
    assert clocks == 60
    assert clocks * (96 // 24) == 240


# From 24 clocks to the quarter (p. 30) and 6 to a song position (p. 27): 96 n / d and 16 n / d.
BARS = [
    ((2, 4), 48, 8),
    ((3, 4), 72, 12),
    ((4, 4), 96, 16),
    ((2, 2), 96, 16),
    ((5, 4), 120, 20),
    ((7, 4), 168, 28),
    ((3, 8), 36, 6),
    ((5, 8), 60, 10),
    ((6, 8), 72, 12),
    ((7, 8), 84, 14),
    ((9, 8), 108, 18),
    ((12, 8), 144, 24),
    ((5, 16), 30, 5),
    ((15, 16), 90, 15),
]


@pytest.mark.parametrize(("meter", "clocks", "positions"), BARS)
def test_clocks_and_song_positions_in_a_bar(meter, clocks, positions):
    ticks = Meter.of(*meter).bar_ticks
    assert divmod(ticks, TICKS_PER_CLOCK) == (clocks, 0)
    assert divmod(ticks, TICKS_PER_SONG_POSITION) == (positions, 0)


def test_a_bar_of_five_thirty_seconds_is_not_a_song_position():
    ticks = Meter.of(5, 32).bar_ticks
    assert ticks == 15 * TICKS_PER_CLOCK
    assert ticks % TICKS_PER_SONG_POSITION != 0


def test_running_status_example():
    # p. A-2: Omni Off on channel 1, then controller 1 at 37H. We send each message whole,
    # so the same two messages carry their status bytes.
    whole = messages.controller(1, 124, 0) + messages.controller(1, 1, 0x37)
    assert whole == bytes.fromhex("b0 7c 00 b0 01 37")


def test_mode_messages_of_a_panic():
    # Table IV: 120 all sound off, 121 reset all controllers, 123 all notes off, all with value 0.
    # p. A-5: a held pedal (64, Table III) outlives all notes off, so it is released first.
    assert messages.panic(1) == tuple(
        bytes.fromhex(text) for text in ("b0 40 00", "b0 78 00", "b0 79 00", "b0 7b 00")
    )
