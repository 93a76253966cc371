"""One turn of the engine inside an audio callback: commands in, a block out, the state shown.

A driver calls `begin`, puts the block's audio and MIDI where they belong, and calls
`end`. All of it runs in the callback's thread: no lock, no file, no waiting.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from syncbox.engine.records import (
    BUCKETS,
    Deck,
    EventReader,
    Health,
    Pulse,
    SentEvent,
    push_event,
)
from syncbox.engine.standby import Standby, Understudy
from syncbox.units import NS_PER_SECOND

_AHEAD_BLOCKS = 32  # what seems to have come so much later than its block is not to be trusted


class BlockLike(Protocol):
    """What a render function gives: audio (outputs, frames) and events in sending order."""

    @property
    def audio(self) -> Any: ...
    @property
    def midi(self) -> list[tuple[int, int, bytes, str]]: ...


class Playable(Protocol):
    """What a cycle needs of an engine state."""

    @property
    def now(self) -> Any: ...
    @property
    def finished(self) -> bool: ...
    def press(self, command: int) -> None: ...
    def hear(self, offset_frames: int, input_index: int, data: bytes) -> None: ...
    def input_gone(self, input_index: int) -> None: ...
    def skip_to(self, frame: int) -> None: ...


@dataclass(frozen=True, slots=True)
class Play:
    """An engine state with the function that turns it, and the numbers of two commands."""

    state: Playable
    render: Callable[[Any, int, int], BlockLike]
    start_command: int
    quit_command: int
    # An engine that can go on from where another one was: what it says about its place after
    # a block (None: nothing new), and how it takes up a place and catches up to a frame.
    say_place: Callable[[Any], bytes | None] | None = None
    restore: Callable[[Any, dict[str, Any]], None] | None = None
    replay: Callable[[Any, int], None] | None = None
    # Whether it plays nothing and only waits for somebody.
    still: Callable[[Any], bool] | None = None
    understudy: Understudy | None = None  # for the engine of a spare computer


class Cycle:
    """The engine as a driver sees it."""

    def __init__(self, play: Play, deck: Deck, *, now_ns: Callable[[], int]) -> None:
        self._state = play.state
        self._render = play.render
        self._quit_command = play.quit_command
        self._play = play
        self._say_place = play.say_place
        self._deck = deck
        self._sent = deck.sent
        self._heard = EventReader(deck.heard)
        self._arrived: SentEvent | None = None  # the next that came in, for a later block
        self._counts = deck.sent_counts
        self._lengths = deck.lengths
        self.now_ns = now_ns
        self.pulse = Pulse(health=Health.RUNNING)
        self.resuming = False  # until the first block of an engine that follows another one
        self.quit_wanted = False  # set by the main thread, read in the callback
        self.heard_count = 0  # messages that came in: somebody is there
        self._quitting = False
        self.failure: BaseException | None = None
        self.standby = None if play.understudy is None else Standby(play, deck)

    @property
    def still(self) -> bool:
        """Nothing plays: stopped, waiting for somebody, or at an end."""
        return self.finished or (self._play.still is not None and self._play.still(self._state))

    @property
    def silent(self) -> bool:
        """It only goes along with another computer's."""
        return self.standby is not None and self.standby.shall_be_silent

    @property
    def finished(self) -> bool:
        """The engine has faded out, or cannot go on."""
        return self.pulse.health >= Health.AUDIO_LOST

    def hear(self, offset_frames: int, input_index: int, data: bytes) -> None:
        """Bytes of one of the rig's inputs; call it before `begin`, offsets in that block."""
        self.heard_count += 1
        self._state.hear(offset_frames, input_index, data)

    def input_gone(self, input_index: int) -> None:
        """Nothing is connected to an input any more."""
        self._state.input_gone(input_index)

    def hear_arrivals(self, frame_count: int, began_ns: int, rate: int) -> None:
        """What the input process stamped since the last block, one block after it arrived.

        So the distances between messages are kept. Call it before `begin`. `began_ns` is when the
        block's turn came by the card's own pace: a callback that comes late must not move them,
        and what has arrived since belongs to a later block.
        """
        while (event := self._arrived or self._heard.next()) is not None:
            self._arrived = None
            if not event.data:
                self._state.input_gone(event.port)
                continue
            age = (began_ns - (event.asked_ns or began_ns)) * rate // NS_PER_SECOND
            if -_AHEAD_BLOCKS * frame_count <= age < 0:
                self._arrived = event
                return
            offset = min(max(frame_count - age, 0), frame_count - 1)
            self.hear(offset, event.port, event.data)

    def play_now(self, frame: int, port: int, data: bytes, why: str, *, due_ns: int) -> None:
        """Give the sender an event that must not wait for those that are planned."""
        push_event(self._deck.played, frame, port, data, why, asked_ns=due_ns)

    def begin(self, frame_count: int, lost_frames: int, started_ns: int) -> BlockLike:
        """The next block. `lost_frames` went by unplayed before it; `started_ns` is now."""
        pulse, state = self.pulse, self._state
        if lost_frames:
            heard = self.standby is None or not self.standby.silent
            pulse.dropouts += heard
            pulse.lost_frames += lost_frames * heard
            pulse.frame += lost_frames
        if lost_frames or self.resuming:
            self._skip_to(pulse.frame)
        standby = self.standby
        if standby is not None:
            state = self._state = standby.heed(self._state, pulse)
        while (command := self._deck.pop_command()) is not None:
            if standby is None or not standby.silent:
                state.press(command)
            pulse.commands_done += 1
        if self.quit_wanted and not self._quitting:
            self._quitting = True
            state.press(self._quit_command)
        pulse.block_ns = started_ns
        pulse.block_start_frame = pulse.frame
        pulse.block_frames = frame_count
        block = self._render(state, pulse.frame, frame_count)
        if standby is not None:
            standby.cover(block)
        return block

    def sent(self, frame: int, port: int, data: bytes, why: str, *, at_ns: int = 0) -> None:
        """Note an event that was handed to the system; `at_ns` is host time where it has one."""
        push_event(self._sent, frame, port, data, why, asked_ns=at_ns, actual_ns=at_ns)
        self._counts[port] += 1

    def hand_over(self, frame: int, port: int, data: bytes, why: str, *, due_ns: int) -> None:
        """Give an event to the sender process, which sends it at a moment of host time."""
        push_event(self._deck.to_sender, frame, port, data, why, asked_ns=due_ns)

    def end(self, frame_count: int, started_ns: int) -> None:
        """Everything of this block is where it belongs."""
        pulse = self.pulse
        pulse.frame += frame_count
        pulse.blocks += 1
        if self._say_place is not None and (place := self._say_place(self._state)) is not None:
            self._deck.publish_place(place)
        if self._state.finished:
            pulse.health = Health.FINISHED
        self._deck.publish(pulse, self._state.now)
        length_ns = self.now_ns() - started_ns
        pulse.callback_ns_max = max(pulse.callback_ns_max, length_ns)
        self._lengths[min(length_ns // 1000, BUCKETS - 1)] += 1

    def resume(self) -> None:
        """Go on from where another engine on the same deck was, before the audio starts.

        Its frames and its counts go on too, as after a long dropout.
        """
        seen, place = self._deck.read(), self._deck.read_place()
        if seen is None:
            return
        self.pulse = seen[0]
        self.pulse.health = Health.RUNNING
        self.pulse.callback_ns_max = 0
        self.resuming = True
        if place is not None and self._play.restore is not None:
            self._play.restore(self._state, place)
        self._skip_to(self.pulse.frame)
        self.resuming = True

    def frames_since_snapshot(self, now_ns: int, rate: int, *, heard_ns: int = 0) -> int:
        """By the host's clock: frames that went by between the end of what was played and now.

        Better by when things are heard, if the audio system told that then and tells it now:
        callbacks come early and late.
        """
        pulse = self.pulse
        since_ns = now_ns - pulse.block_ns
        if heard_ns and pulse.heard_ns:
            since_ns = heard_ns - pulse.heard_ns
        since = (2 * since_ns * rate + NS_PER_SECOND) // (2 * NS_PER_SECOND)
        return max(0, since - (pulse.frame - pulse.block_start_frame))

    def _skip_to(self, frame: int) -> None:
        if self.resuming and self._play.replay is not None:
            self._play.replay(self._state, frame)
        else:
            self._state.skip_to(frame)
        self.resuming = False

    def fail(self, error: BaseException) -> None:
        """The engine cannot go on: say so in the snapshot. The driver plays silence from here."""
        self.failure = error
        self.stop_with(Health.FAILED)

    def stop_with(self, health: int) -> None:
        """No more blocks will come. In the callback's thread, or after the last callback."""
        self.pulse.health = health
        self._deck.publish(self.pulse, self._state.now)
