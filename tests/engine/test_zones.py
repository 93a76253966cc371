"""Keys, pedals and wheels reach their instruments, and nothing stays hanging."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from building import RIG, section, song
from hypothesis import given, settings
from hypothesis import strategies as st

from syncbox.engine.zones import Router
from syncbox.schedule.zones import ZoneTable, section_zones
from syncbox.score.controls import ControllerRoute, Touch, Zone

KEYS = replace(RIG, input_ports={"upper": "*", "lower": "*"})
UPPER, LOWER = 0, 1
ORGAN, LEAD, CHOIR = (0, 0), (0, 1), (1, 0)  # port and channel of the rig's instruments


def table(*zones: Zone) -> ZoneTable:
    return section_zones(song(section("A", 1, zones=zones)), KEYS)[0]


def on(note: int, velocity: int = 64, channel: int = 0) -> bytes:
    return bytes((0x90 | channel, note, velocity))


def off(note: int, velocity: int = 64, channel: int = 0) -> bytes:
    return bytes((0x80 | channel, note, velocity))


def control(number: int, value: int, channel: int = 0) -> bytes:
    return bytes((0xB0 | channel, number, value))


class Stage:
    def __init__(self, *zones: Zone) -> None:
        self.sent: list[tuple[int, bytes]] = []
        self.router = Router(2, lambda port, data: self.sent.append((port, data)))
        self.table = table(*zones)

    def play(self, *messages: bytes, source: int = UPPER) -> list[tuple[int, bytes]]:
        self.sent.clear()
        for message in messages:
            self.router.take(self.table, source, message)
        return list(self.sent)


def test_split_layer_and_transposition() -> None:
    stage = Stage(
        Zone("upper", "organ", high=59),
        Zone("upper", "lead", low=60, transpose=12),
        Zone("upper", "choir", low=48, high=72),
    )
    assert stage.play(on(40)) == [(0, on(40))]
    assert stage.play(on(50)) == [(0, on(50)), (1, on(50))]
    assert stage.play(on(60)) == [(0, on(72, channel=1)), (1, on(60))]
    assert stage.play(off(60)) == [(0, off(72, channel=1)), (1, off(60))]
    assert stage.play(on(120), off(120)) == []  # out of range after transposition
    assert stage.play(on(50), source=LOWER) == []


def test_velocity_range_touch_and_what_is_sent() -> None:
    def sent(zone: Zone, stroke: int) -> int:
        played = Stage(zone).play(on(60, stroke))
        return played[0][1][2] if played else 0

    plain = Zone("upper", "organ")
    assert [sent(plain, stroke) for stroke in (1, 64, 127)] == [1, 64, 127]
    ranged = Zone("upper", "organ", velocity_low=20, velocity_high=90)
    assert [sent(ranged, s) for s in (19, 20, 90, 91)] == [0, 1, 127, 0]
    squeezed = Zone("upper", "organ", sent_low=30, sent_high=110)
    assert [sent(squeezed, s) for s in (1, 64, 127)] == [30, 70, 110]
    light, heavy = replace(plain, touch=Touch.LIGHT), replace(plain, touch=Touch.HEAVY)
    assert sent(heavy, 64) < 64 < sent(light, 64)
    assert sent(light, 127) == sent(heavy, 127) == 127
    fixed = replace(plain, touch=Touch.FIXED, sent_low=100, sent_high=100)
    assert [sent(fixed, s) for s in (1, 127)] == [100, 100]


def test_only_one_channel_of_a_keyboard() -> None:
    stage = Stage(Zone("upper", "organ", channel=3))
    assert stage.play(on(60, channel=2)) == [(0, on(60))]
    assert stage.play(on(60, channel=3)) == []


def test_pedals_routed_or_blocked_and_controllers_changed() -> None:
    stage = Stage(
        Zone("upper", "organ", pedals=frozenset()),
        Zone(
            "upper", "lead", pedals=frozenset({64}), controllers={1: ControllerRoute(11, 100, 20)}
        ),
        Zone("upper", "choir", controllers={7: None}, others=False, bend=False, pressure=False),
    )
    assert stage.play(control(64, 127)) == [(0, control(64, 127, 1)), (1, control(64, 127))]
    assert stage.play(control(67, 127)) == [(1, control(67, 127))]
    assert stage.play(control(1, 0)) == [(0, control(1, 0)), (0, control(11, 100, 1))]
    assert stage.play(control(1, 127))[1] == (0, control(11, 20, 1))
    assert stage.play(control(7, 90)) == [(0, control(7, 90)), (0, control(7, 90, 1))]
    assert stage.play(b"\xe0\x00\x50") == [(0, b"\xe0\x00\x50"), (0, b"\xe1\x00\x50")]
    assert stage.play(b"\xd0\x50") == [(0, b"\xd0\x50"), (0, b"\xd1\x50")]


def test_a_keyboard_chooses_no_sounds() -> None:
    stage = Stage(Zone("upper", "organ"))
    assert stage.play(b"\xc0\x05", control(0, 1), control(32, 1)) == []


def test_a_held_note_stays_on_the_sound_it_began_on() -> None:
    stage = Stage(Zone("upper", "organ"))
    stage.play(on(60))
    stage.table = table(Zone("upper", "choir", transpose=5))
    assert stage.play(on(64)) == [(1, on(69))]
    assert stage.play(off(60), off(64)) == [(0, off(60)), (1, off(69))]


def test_pressure_on_a_held_key_goes_where_the_key_went() -> None:
    stage = Stage(Zone("upper", "lead", transpose=2))
    stage.play(on(60))
    assert stage.play(b"\xa0\x3c\x30") == [(0, b"\xa1\x3e\x30")]
    assert stage.play(b"\xa0\x3d\x30") == []


def test_sustain_is_let_go_on_every_target_that_got_it() -> None:
    stage = Stage(Zone("upper", "organ"))
    stage.play(on(60), control(64, 127), off(60))
    stage.table = table(Zone("upper", "lead"))
    assert stage.play(control(64, 0)) == [(0, control(64, 0, 1)), (0, control(64, 0))]
    assert stage.play(control(64, 127), control(64, 0)) == [
        (0, control(64, 127, 1)),
        (0, control(64, 0, 1)),
    ]


def test_a_pedal_that_is_down_reaches_a_new_instrument_with_its_first_note() -> None:
    stage = Stage(Zone("upper", "organ"))
    stage.play(control(64, 127))
    stage.table = table(Zone("upper", "lead"))
    assert stage.play(on(60)) == [(0, control(64, 127, 1)), (0, on(60, channel=1))]
    assert stage.play(on(62)) == [(0, on(62, channel=1))]
    assert sorted(stage.play(control(64, 0))) == [(0, control(64, 0)), (0, control(64, 0, 1))]


def test_wheels_come_back_to_rest_everywhere() -> None:
    stage = Stage(Zone("upper", "organ"))
    stage.play(b"\xe0\x00\x60", control(1, 90), b"\xd0\x40")
    stage.table = table(Zone("upper", "choir"))
    assert stage.play(b"\xe0\x00\x50") == [(1, b"\xe0\x00\x50")]  # the old sound does not wobble
    assert stage.play(b"\xe0\x00\x40") == [(1, b"\xe0\x00\x40"), (0, b"\xe0\x00\x40")]
    assert stage.play(control(1, 0)) == [(1, control(1, 0)), (0, control(1, 0))]
    assert stage.play(b"\xd0\x00") == [(1, b"\xd0\x00"), (0, b"\xd0\x00")]


def test_two_keys_for_one_note_end_it_once() -> None:
    stage = Stage(Zone("upper", "organ"), Zone("lower", "organ"))
    stage.play(on(60))
    assert stage.play(on(60), source=LOWER) == [(0, off(60)), (0, on(60))]
    assert stage.play(off(60)) == []
    assert stage.play(off(60), source=LOWER) == [(0, off(60))]


def test_two_pedals_on_one_instrument_hold_it_until_both_are_up() -> None:
    stage = Stage(Zone("upper", "organ"), Zone("lower", "organ"))
    stage.play(control(64, 127))
    stage.play(control(64, 127), source=LOWER)
    assert stage.play(control(64, 0)) == []
    assert stage.play(control(64, 0), source=LOWER) == [(0, control(64, 0))]


@pytest.mark.parametrize("number", [120, 123])
def test_all_notes_off_of_a_keyboard_lets_go_of_what_it_holds(number: int) -> None:
    stage = Stage(Zone("upper", "organ"), Zone("lower", "choir"))
    stage.play(on(60), control(64, 127))
    stage.play(on(50), source=LOWER)
    # The pedal first: a pedal that is down beats all that ends notes.
    assert stage.play(control(number, 0)) == [(0, control(64, 0)), (0, off(60))]
    stage.sent.clear()
    stage.router.release_all()
    assert stage.sent == [(1, off(50))]
    assert stage.play(off(60)) == []


# --- whatever is played ----------------------------------------------------------------------

TABLES = (
    table(Zone("upper", "organ"), Zone("lower", "organ", transpose=12)),
    table(
        Zone("upper", "lead", low=40, high=50), Zone("upper", "choir", low=45), Zone("lower", "")
    ),
    table(
        Zone("upper", "organ", transpose=-3, pedals=frozenset({64}), velocity_high=80),
        Zone("lower", "lead", channel=2, controllers={4: ControllerRoute(64), 1: None}),
        Zone("lower", "choir", controllers={64: ControllerRoute(66)}, others=False),
    ),
    table(),
)
notes = st.integers(38, 52)
channels = st.integers(0, 1)
played = st.one_of(
    st.builds(on, notes, st.integers(0, 127), channels),
    st.builds(off, notes, st.just(64), channels),
    st.builds(control, st.sampled_from([1, 4, 11, 64, 66, 67]), st.integers(0, 127), channels),
    st.builds(lambda v, c: bytes((0xE0 | c, 0, v)), st.integers(0, 127), channels),
    st.builds(lambda v, c: bytes((0xD0 | c, v)), st.integers(0, 127), channels),
    st.builds(lambda n, v, c: bytes((0xA0 | c, n, v)), notes, st.integers(0, 127), channels),
    st.builds(control, st.sampled_from([120, 121, 123]), st.just(0), channels),
)
steps = st.lists(
    st.one_of(st.tuples(st.integers(0, 1), played), st.sampled_from(TABLES)), max_size=80
)
PEDALS = range(64, 70)


class Instruments:
    """What every channel of every port does, by the messages that it got."""

    def __init__(self) -> None:
        self.sounding: Counter[tuple[int, int, int]] = Counter()
        self.values: dict[tuple[int, int, int], int] = {}

    def take(self, port: int, data: bytes) -> None:
        status, channel = data[0] & 0xF0, data[0] & 0x0F
        if status == 0x90:
            key = (port, channel, data[1])
            assert data[2] > 0
            assert not self.sounding[key], "a note begins that has not ended"
            self.sounding[key] += 1
        elif status == 0x80:
            assert self.sounding[port, channel, data[1]] == 1, "a note ends that has not begun"
            self.sounding[port, channel, data[1]] -= 1
        elif status == 0xB0:
            self.values[port, channel, data[1]] = data[2]
        elif status == 0xD0:
            self.values[port, channel, 200] = data[1]
        elif status == 0xE0:
            self.values[port, channel, 201] = data[2] - 64

    def hanging(self) -> list[object]:
        notes = [key for key, count in self.sounding.items() if count]
        away = [
            key
            for key, value in self.values.items()
            if (key[2] in PEDALS and value >= 64) or (key[2] in (1, 200, 201) and value)
        ]
        return [*notes, *away]


@settings(max_examples=300)
@given(steps)
def test_nothing_hangs_when_all_keys_pedals_and_wheels_are_at_rest(drawn: list[object]) -> None:
    instruments = Instruments()
    router, zones = Router(2, instruments.take), TABLES[0]
    for step in drawn:
        if len(step) == 2 and isinstance(step[0], int):
            router.take(zones, *step)
        else:
            zones = step
    for source in (UPPER, LOWER):
        for channel in (0, 1):
            for note in range(38, 53):
                router.take(zones, source, off(note, channel=channel))
            for number in (1, 4, 11, *PEDALS):
                router.take(zones, source, control(number, 0, channel))
            router.take(zones, source, bytes((0xE0 | channel, 0, 64)))
            router.take(zones, source, bytes((0xD0 | channel, 0)))
    assert instruments.hanging() == []


@settings(max_examples=200)
@given(steps)
def test_nothing_hangs_after_everything_was_let_go(drawn: list[object]) -> None:
    instruments = Instruments()
    router, zones = Router(2, instruments.take), TABLES[0]
    for step in drawn:
        if len(step) == 2 and isinstance(step[0], int):
            router.take(zones, *step)
        else:
            zones = step
    router.release_all()
    assert instruments.hanging() == []
