"""What the engine's processes tell each other: fixed layouts in one shared segment.

`Deck` is that segment: commands to the engine, MIDI events on their way to the
sender, events that were sent, a snapshot of the engine's state, counters of
events per port and of callback lengths, and what one host must know that relieves another.
"""

from __future__ import annotations

import dataclasses
import json
import struct
from collections.abc import Callable
from dataclasses import dataclass
from operator import attrgetter
from typing import Any

from syncbox.engine.shared import Board, Ring, Segment
from syncbox.engine.words import LAYOUT, WORDS_BYTES, Word

# Why an event was sent, in words that the log shows. The place in the list is its number.
WHYS = (
    "other",
    "clock",
    "clock stopped",
    "start",
    "stop",
    "continue",
    "song position",
    "patch",
    "controller",
    "sysex",
    "panic",
    "note off",
    "played",
    "time code",
)
_WHY_NUMBER = {why: number for number, why in enumerate(WHYS)}

INLINE_BYTES = 12  # of MIDI data in one record; longer messages take several in a row
_EVENT = struct.Struct(f"<qqqHBB{INLINE_BYTES}s")
_MORE, _CONTINUED = 0x80, 0x40  # flags beside the length
_LENGTH = 0x3F
_NO_TIME = 0  # of the host's clock, which has long left zero behind

assert len(WHYS) < 256
assert INLINE_BYTES <= _LENGTH


@dataclass(frozen=True, slots=True)
class SentEvent:
    """One MIDI message as it left. `port` indexes the rig's ports.

    `frame` is where the schedule wants it. `asked_ns` and `actual_ns` are host time:
    when it should have been and when it had been handed to the system; None where the
    audio system itself places it by its frame. A port that nothing is connected to
    counts like any other.
    """

    frame: int
    asked_ns: int | None
    actual_ns: int | None
    port: int
    data: bytes
    why: str


def push_event(
    ring: Ring,
    frame: int,
    port: int,
    data: bytes,
    why: str,
    *,
    asked_ns: int = _NO_TIME,
    actual_ns: int = _NO_TIME,
) -> bool:
    """Write one message, in as many records as it needs, or refuse it whole."""
    number = _WHY_NUMBER.get(why, 0)
    length = len(data)
    if length <= INLINE_BYTES:
        return ring.push(_EVENT.pack(frame, asked_ns, actual_ns, port, number, length, data))
    if not ring.has_room(-(-length // INLINE_BYTES)):
        return False
    for start in range(0, length, INLINE_BYTES):
        part = data[start : start + INLINE_BYTES]
        flags = len(part) | (_CONTINUED if start else 0)
        if start + INLINE_BYTES < length:
            flags |= _MORE
        ring.push(_EVENT.pack(frame, asked_ns, actual_ns, port, number, flags, part))
    return True


class EventReader:
    """Puts messages together again on the reading side of a ring."""

    def __init__(self, ring: Ring) -> None:
        self._ring = ring
        self._parts: list[bytes] = []
        self.between = True  # no message has been read in part

    def next(self) -> SentEvent | None:
        """The oldest whole message, None when there is none yet."""
        while (payload := self._ring.pop()) is not None:
            frame, asked_ns, actual_ns, port, why, flags, data = _EVENT.unpack(payload)
            if not flags & _CONTINUED:
                self._parts.clear()
            elif self.between:
                continue  # its beginning went to a reader before this one
            self._parts.append(data[: flags & _LENGTH])
            self.between = not flags & _MORE
            if self.between:
                asked, actual = asked_ns or None, actual_ns or None
                return SentEvent(frame, asked, actual, port, b"".join(self._parts), WHYS[why])
        return None

    def all(self) -> list[SentEvent]:
        """Every whole message that is there now."""
        return list(iter(self.next, None))


class NowCodec:
    """Packs the engine's `Now`, a dataclass of ints and floats, and rebuilds it elsewhere."""

    def __init__(self, now_type: type[Any]) -> None:
        fields = dataclasses.fields(now_type)
        self._type = now_type
        self._names = [field.name for field in fields]
        codes = "".join("d" if field.type in ("float", float) else "q" for field in fields)
        self._struct = struct.Struct("<" + codes)
        self.size = self._struct.size
        take = attrgetter(*self._names)
        # attrgetter of one name gives the value itself, not a tuple of one
        self._take: Callable[[Any], tuple[Any, ...]] = (
            take if len(fields) > 1 else lambda now: (take(now),)
        )

    def pack(self, now: Any) -> bytes:
        """Bytes of all fields."""
        return self._struct.pack(*self._take(now))

    def unpack(self, data: bytes) -> Any:
        """A new object with the fields' values."""
        return self._type(**dict(zip(self._names, self._struct.unpack(data), strict=True)))


class Health:
    """How the engine process fares, as numbers."""

    STARTING, RUNNING, AUDIO_LOST, FAILED, FINISHED = range(5)


@dataclass(slots=True)
class Pulse:
    """The engine's own side of a snapshot. All counts since the session began."""

    frame: int = 0  # first frame of the block after the present one
    block_ns: int = 0  # host time at which the present block was asked for
    block_start_frame: int = 0  # first frame of the present block, which belongs to block_ns
    heard_ns: int = 0  # host time at which that frame is heard; 0 where nothing tells it
    audio_frame_zero: int = 0  # frame number of the audio system (JACK: 32 bits) of frame 0
    block_frames: int = 0
    blocks: int = 0
    dropouts: int = 0  # gaps that were heard
    lost_frames: int = 0  # their length in all
    xruns: int = 0  # complaints of the audio system, with or without a gap
    midi_refused: int = 0  # messages that the audio system would not take
    callback_ns_max: int = 0
    commands_done: int = 0
    health: int = Health.STARTING
    # Of an engine that follows another computer's (`standby`):
    shift_frames: int = 0  # what is added to our own count of frames
    silent: int = 0
    places_taken: int = 0
    places_refused: int = 0
    take_overs: int = 0  # presses of a pedal that takes over


@dataclass(slots=True)
class Order:
    """What the host of a spare computer wants of its engine."""

    silent: int = 1
    place_number: int = 0  # a place of the other computer to go on from, 0 none yet
    shift_frames: int = 0  # its number of a frame less our own count of that frame


PULSE_CODEC = NowCodec(Pulse)
ORDER_CODEC = NowCodec(Order)

BUCKETS = 8192  # of callback length, 1 us wide; the last one holds all that is longer
PORTS_MAX = 64
_COMMAND = struct.Struct("<q")
_COMMANDS, _EVENTS, _HANDS = 64, 8192, 1024
PLACE_BYTES = 16_384  # a place takes about 2 000; what many instruments have is most of it
FACTS_BYTES = 4_096


class Deck:
    """The shared segment of one session, as the engine, the sender and the host see it."""

    def __init__(self, segment: Segment, now_type: type[Any]) -> None:
        self._segment = segment
        self.name = segment.name
        self.now_type = now_type
        self.now_codec = NowCodec(now_type)
        spans = self._spans(self.now_codec.size)
        views = {what: segment.view(start, size) for what, (start, size) in spans.items()}
        self.commands = Ring(views["commands"], capacity=_COMMANDS, payload_bytes=_COMMAND.size)
        self.to_sender = Ring(views["to_sender"], capacity=_EVENTS, payload_bytes=_EVENT.size)
        self.sent = Ring(views["sent"], capacity=_EVENTS, payload_bytes=_EVENT.size)
        # From the keyboards to the engine, and what they play on to the sender, past all plans.
        self.heard = Ring(views["heard"], capacity=_HANDS, payload_bytes=_EVENT.size)
        self.played = Ring(views["played"], capacity=_HANDS, payload_bytes=_EVENT.size)
        size = PULSE_CODEC.size + self.now_codec.size
        self.board = Board(views["board"], payload_bytes=size)
        self._place_board = Board(views["place"], payload_bytes=PLACE_BYTES)
        self.engine_facts = Board(views["engine_facts"], payload_bytes=FACTS_BYTES)
        self.sender_facts = Board(views["sender_facts"], payload_bytes=FACTS_BYTES)
        self.words = views["words"].cast("q")
        # From a spare computer's host to its engine: an order, and the place that it names.
        self._order_board = Board(views["order"], payload_bytes=ORDER_CODEC.size)
        self._lead_board = Board(views["lead"], payload_bytes=PLACE_BYTES)
        self.lengths = views["lengths"].cast("q")
        self.sent_counts = views["sent_counts"].cast("q")
        self._raw = [views["words"], views["lengths"], views["sent_counts"]]

    @classmethod
    def create(cls, now_type: type[Any], name: str = "") -> Deck:
        """A new deck; its creator's `close` removes it.

        With a `name` it stays when its creator is killed.
        """
        start, size = list(cls._spans(NowCodec(now_type).size).values())[-1]
        deck = cls(Segment.create(start + size, name), now_type)
        deck.words[Word.LAYOUT] = LAYOUT
        return deck

    @classmethod
    def attach(cls, name: str, now_type: type[Any]) -> Deck:
        """The deck that another process made."""
        return cls(Segment.attach(name), now_type)

    @classmethod
    def take_over(cls, name: str, now_type: type[Any]) -> Deck:
        """A deck whose creator is gone; `close` removes it."""
        return cls(Segment.attach(name).own(), now_type)

    @staticmethod
    def _spans(now_size: int) -> dict[str, tuple[int, int]]:
        events = Ring.size(capacity=_EVENTS, payload_bytes=_EVENT.size)
        hands = Ring.size(capacity=_HANDS, payload_bytes=_EVENT.size)
        sizes = {
            "words": WORDS_BYTES,
            "commands": Ring.size(capacity=_COMMANDS, payload_bytes=_COMMAND.size),
            "to_sender": events,
            "sent": events,
            "heard": hands,
            "played": hands,
            "board": Board.size(payload_bytes=PULSE_CODEC.size + now_size),
            "place": Board.size(payload_bytes=PLACE_BYTES),
            "engine_facts": Board.size(payload_bytes=FACTS_BYTES),
            "sender_facts": Board.size(payload_bytes=FACTS_BYTES),
            "order": Board.size(payload_bytes=ORDER_CODEC.size),
            "lead": Board.size(payload_bytes=PLACE_BYTES),
            "lengths": BUCKETS * 8,
            "sent_counts": PORTS_MAX * 8,
        }
        spans, start = {}, 0
        for what, size in sizes.items():
            spans[what] = (start, size)
            start += -(-size // 64) * 64
        return spans

    def push_command(self, command: int) -> bool:
        """Host only. False when the engine has not taken the last 64."""
        return self.commands.push(_COMMAND.pack(command))

    def pop_command(self) -> int | None:
        """Engine only."""
        payload = self.commands.pop()
        return None if payload is None else int(_COMMAND.unpack(payload)[0])

    def publish(self, pulse: Pulse, now: Any) -> None:
        """Engine only."""
        self.board.publish(PULSE_CODEC.pack(pulse) + self.now_codec.pack(now))

    def publish_place(self, place: bytes) -> None:
        """Engine only: text of JSON. One that is too long is left out, and the last one stays."""
        publish_text(self._place_board, place, PLACE_BYTES)

    def read_place(self) -> dict[str, Any] | None:
        """The newest place, None before the first."""
        return read_text(self._place_board)

    def read_place_text(self) -> bytes | None:
        """The same as it was written, for another computer."""
        payload = self._place_board.read()
        return None if payload is None else payload.rstrip()

    def give_order(self, order: Order, place: bytes | None = None) -> None:
        """A spare's host only. `place` is the one that the order names, if it is a new one."""
        if place is not None and len(place) <= PLACE_BYTES:
            self._lead_board.publish(place.ljust(PLACE_BYTES))
        self._order_board.publish(ORDER_CODEC.pack(order))

    def read_order(self) -> Order | None:
        """The newest order, None before the first."""
        payload = self._order_board.read()
        return None if payload is None else ORDER_CODEC.unpack(payload)

    def read_lead_place(self) -> dict[str, Any] | None:
        """The newest place of the other computer."""
        payload = self._lead_board.read()
        return None if payload is None else dict(json.loads(payload))

    def read(self) -> tuple[Pulse, Any] | None:
        """The newest snapshot, None before the first."""
        payload = self.board.read()
        if payload is None:
            return None
        split = PULSE_CODEC.size
        return PULSE_CODEC.unpack(payload[:split]), self.now_codec.unpack(payload[split:])

    def disown(self) -> None:
        """Somebody else removes it."""
        self._segment.disown()

    def close(self) -> None:
        """Let go of the memory; the creator removes it."""
        self.commands.release()
        self.to_sender.release()
        self.sent.release()
        self.heard.release()
        self.played.release()
        self.board.release()
        self._place_board.release()
        self.engine_facts.release()
        self.sender_facts.release()
        self.words.release()
        self._order_board.release()
        self._lead_board.release()
        self.lengths.release()
        self.sent_counts.release()
        for view in self._raw:
            view.release()
        self._segment.close()


def publish_text(board: Board, text: bytes, room_bytes: int = FACTS_BYTES) -> None:
    """Show a JSON object on a board. One that is too long is left out, and the last one stays."""
    if len(text) <= room_bytes:
        board.publish(text.ljust(room_bytes))


def read_text(board: Board) -> dict[str, Any] | None:
    """The newest JSON object on a board, None before the first."""
    payload = board.read()
    return None if payload is None else dict(json.loads(payload))
