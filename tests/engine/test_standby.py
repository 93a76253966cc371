"""The engine of a spare computer: silent and deaf, at another engine's place, then heard."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator

import numpy as np
import pytest
from building import RIG, program_of, section, song

from syncbox.engine.cycle import Cycle
from syncbox.engine.place import place_of
from syncbox.engine.play import play_program
from syncbox.engine.records import Deck, Order
from syncbox.engine.returning import Refresh, refresh
from syncbox.engine.standby import FADE_FRAMES
from syncbox.engine.state import Now
from syncbox.engine.transport import Command, State, packed
from syncbox.score.controls import Control, Sign, SignKind
from syncbox.score.song import CountIn, Section

BLOCK = 256
PEDALS = dataclasses.replace(
    RIG,
    input_ports={"pedals": "pedals"},
    controls=(
        Control("take over", "pedals", Sign(SignKind.CONTROLLER, 64, 64)),
        Control("start", "pedals", Sign(SignKind.CONTROLLER, 65, 65)),
    ),
)


class Machine:
    """A cycle with a deck of its own, turned by hand; keeps what comes out."""

    def __init__(self, program: object, *, spare: bool = False) -> None:
        self.deck = Deck.create(Now)
        self.cycle = Cycle(
            play_program(program, spare=spare, soft_start=False), self.deck, now_ns=lambda: 0
        )
        self.audio: list[np.ndarray] = []
        self.midi: list[tuple[int, int, bytes, str]] = []

    def turn(self, blocks: int = 1, lost: int = 0) -> None:
        for _ in range(blocks):
            if self.cycle.standby is not None:
                self.cycle.standby.make_ready()
            block = self.cycle.begin(BLOCK, lost, 0)
            lost = 0
            self.audio.append(block.audio.copy())
            first = self.cycle.pulse.frame
            self.midi += [(first + at, *rest) for at, *rest in block.midi]
            self.cycle.end(BLOCK, 0)

    def press(self, command: Command, argument: int = 0) -> None:
        assert self.deck.push_command(packed(command, argument))

    @property
    def state(self):
        return self.cycle._state


@pytest.fixture
def pair() -> Iterator[tuple[Machine, Machine]]:
    vamp = Section("V", section("V", 2).body, vamp_usual=4)
    program = program_of(
        song(section("A", 8), vamp, section("B", 30), count_in=CountIn(bars=1), tempo=173),
        rig=PEDALS,
    )
    machines = Machine(program), Machine(program, spare=True)
    yield machines
    for machine in machines:
        machine.deck.close()


def follow(first: Machine, spare: Machine, number: int = 1, silent: int = 1) -> None:
    """Both have come to the same moment; the spare hears the place of the first."""
    pulse = spare.cycle.pulse
    shift = first.cycle.pulse.frame - (pulse.frame - pulse.shift_frames)
    text = first.deck.read_place_text()
    assert text is not None
    spare.deck.give_order(Order(silent, number, shift), text)


def test_it_is_silent_and_deaf_until_it_shall_sound(pair: tuple[Machine, Machine]) -> None:
    _, spare = pair
    spare.press(Command.START)
    spare.cycle.hear(0, 0, b"\xb0\x41\x7f")
    spare.turn(400)
    assert spare.state.transport is State.STOPPED
    assert not np.any(np.concatenate(spare.audio, axis=1))
    assert spare.midi == []
    assert spare.cycle.pulse.silent


def test_only_the_pedal_that_takes_over_is_counted(pair: tuple[Machine, Machine]) -> None:
    _, spare = pair
    for value in (0x7F, 0x00):
        spare.cycle.hear(0, 0, bytes((0xB0, 0x40, value)))
        spare.cycle.hear(0, 0, bytes((0xB0, 0x41, value)))
        spare.turn(40)
    assert spare.cycle.pulse.take_overs == 1
    assert spare.state.transport is State.STOPPED


def test_it_goes_on_where_the_first_is_and_takes_over_on_its_grid(
    pair: tuple[Machine, Machine],
) -> None:
    first, spare = pair
    spare.turn(37)
    first.turn(11)
    first.press(Command.START)
    for number, blocks in enumerate((150, 90, 500, 310), 1):
        first.turn(blocks)
        spare.turn(blocks)
        follow(first, spare, number)
    first.press(Command.CUE)
    first.turn(3)
    spare.turn(3)
    follow(first, spare, 5)
    first.turn(200)
    spare.turn(200)
    assert spare.midi == []
    assert spare.cycle.pulse.places_taken == 5
    assert spare.cycle.pulse.frame == first.cycle.pulse.frame
    assert spare.state.transport is first.state.transport
    shift = spare.cycle.pulse.shift_frames
    spare.deck.give_order(Order(0, 5, shift))
    first.audio.clear()
    spare.audio.clear()
    first.turn(900)
    spare.turn(900)
    mine, its = (np.concatenate(machine.audio, axis=1) for machine in pair)
    assert np.any(mine[:, :48_000])
    np.testing.assert_array_equal(mine[:, FADE_FRAMES:], its[:, FADE_FRAMES:])
    assert np.all(np.abs(its[:, :FADE_FRAMES]) <= np.abs(mine[:, :FADE_FRAMES]))


def test_ports_are_brought_up_to_date_when_it_takes_over(pair: tuple[Machine, Machine]) -> None:
    first, spare = pair
    first.press(Command.START)
    first.turn(700)
    follow(first, spare)
    spare.turn(1)
    spare.press(Command.REFRESH_PORT, refresh(0, Refresh.WHOLE))
    spare.turn(1)
    assert all(spare.state.absent), "what the host says of ports counts when it sounds"
    first.turn(2)
    spare.deck.give_order(Order(0, 1, spare.cycle.pulse.shift_frames))
    spare.press(Command.REFRESH_PORT, refresh(0, Refresh.WHOLE))
    first.turn(500)
    spare.turn(500)
    whys = [why for _, port, _, why in spare.midi if port == 0]
    assert whys.index("stop") < whys.index("song position") < whys.index("continue")
    assert spare.midi[0][0] == 702 * BLOCK
    clocks = [
        [frame for frame, _, _, why in machine.midi if why == "clock" and frame >= 702 * BLOCK]
        for machine in pair
    ]
    assert len(clocks[1]) > 50
    assert clocks[0] == clocks[1]


def test_it_gives_back_and_follows_again(pair: tuple[Machine, Machine]) -> None:
    first, spare = pair
    first.press(Command.START)
    first.turn(700)
    spare.turn(1)
    follow(first, spare, 1, silent=0)
    spare.turn(1)
    follow(first, spare, 2, silent=0)
    spare.turn(10)
    assert spare.cycle.pulse.places_taken == 0, "what sounds takes up no places"
    assert not spare.cycle.pulse.silent
    follow(first, spare, 2)
    spare.turn(12)
    assert spare.cycle.pulse.silent
    spare.audio.clear()
    spare.midi.clear()
    first.turn(200)
    spare.turn(200)
    assert spare.cycle.pulse.places_taken == 1
    assert not np.any(np.concatenate(spare.audio, axis=1))
    assert spare.midi == []


def test_it_fades_out_when_it_gives_back(pair: tuple[Machine, Machine]) -> None:
    _, spare = pair
    spare.deck.give_order(Order(0))
    spare.turn(20)
    standby = spare.cycle.standby
    assert standby is not None
    assert standby._faded_in == FADE_FRAMES
    spare.deck.give_order(Order(1))

    class Loud:
        def __init__(self) -> None:
            self.midi: list[object] = []
            self.audio = np.ones((3, BLOCK), dtype=np.float32)

    spare.turn(1)
    parts = []
    for _ in range(FADE_FRAMES // BLOCK):
        block = Loud()
        standby.cover(block)
        parts.append(block.audio[0])
    heard = np.concatenate(parts)
    assert np.all(np.diff(heard) <= 0)
    assert heard[-1] == 0.0


@pytest.mark.parametrize(
    "spoil",
    [
        lambda place: place.clear(),
        lambda place: place.update(version=99, runs=[{}]),
        lambda place: place.update(song_index=77),
        lambda place: place.update(frame=10**12),
        lambda place: place.update(frame="soon"),
        lambda place: place["runs"][0].update(at=[0, 99, 99, 1]),
    ],
)
def test_a_place_that_makes_no_sense_changes_nothing(pair, spoil) -> None:
    first, spare = pair
    first.press(Command.START)
    first.turn(700)
    spare.turn(20)
    place = json.loads(first.deck.read_place_text())
    spoil(place)
    spare.deck.give_order(Order(1, 1, 700 * BLOCK), json.dumps(place).encode())
    before = spare.state
    spare.turn(5)
    assert spare.state is before
    assert spare.cycle.pulse.places_refused == 1
    follow(first, spare, 2)
    spare.turn(1)
    assert spare.state.transport is first.state.transport


def test_a_place_that_comes_early_is_waited_for(pair: tuple[Machine, Machine]) -> None:
    first, spare = pair
    first.turn(9)
    place = place_of(first.state)
    spare.deck.give_order(Order(1, 1, place["frame"] - 3 * BLOCK), json.dumps(place).encode())
    spare.turn(3)
    assert spare.cycle.pulse.places_taken == 0
    spare.turn(1)
    assert spare.cycle.pulse.places_taken == 1


def test_a_first_that_is_left_in_good_order_stops_the_spare_but_does_not_end_it(pair) -> None:
    first, spare = pair
    first.press(Command.START)
    first.turn(700)
    spare.turn(700)
    follow(first, spare)
    spare.turn(1)
    first.cycle.quit_wanted = True
    first.turn(40)
    assert first.cycle.finished
    spare.turn(39)
    follow(first, spare, 2)
    spare.turn(40)
    assert spare.cycle.pulse.places_taken == 2
    assert spare.state.transport is State.STOPPED
    assert not spare.cycle.finished
    spare.deck.give_order(Order(0, 2, spare.cycle.pulse.shift_frames))
    spare.press(Command.START)
    spare.audio.clear()
    spare.turn(400)
    assert np.any(np.concatenate(spare.audio, axis=1)), "it can be started where it is"


def test_frames_that_are_lost_while_it_is_silent_are_no_dropout(pair) -> None:
    _, spare = pair
    spare.turn(2, lost=512)
    assert spare.cycle.pulse.frame == 512 + 2 * BLOCK
    assert spare.cycle.pulse.dropouts == 0
