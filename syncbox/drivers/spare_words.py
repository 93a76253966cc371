"""What two computers with the same show say to each other, as bytes of one packet each. Pure.

A packet is a head (four letters, version, kind, CRC-32 of the rest) and its body. All
numbers are whole, little-endian, 64 bits. What does not fit to the letter, or to its
sum, is no packet of ours: a network may carry anything.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import Any

from syncbox.engine.records import PLACE_BYTES, NowCodec

VERSION = 1
PACKET_BYTES_MAX = 60_000  # of one UDP packet, with room to spare
NEVER = -1
_HEAD = struct.Struct("<4sBBI")
_LETTERS = b"sbx2"
_PLACE_HEAD = struct.Struct("<qq")
_SIGNS_MAX = 60  # of each text in a letter


@dataclass(frozen=True, slots=True)
class Word:
    """How one computer is, ten times a second. Times are those of its own clock.

    `run` is a number of its own for each start of a show. `show` and `sounds` are sums over
    the show's files. `frame` was asked for at `frame_ns`, and `age_ns` ago the newest block.
    """

    run: int = 0
    number: int = 0
    show: int = 0
    sounds: int = 0
    rate: int = 0
    place_version: int = 0
    playing: int = 0  # it is the one that is heard, or would be if the band played
    by_itself: int = 0  # it has taken over by itself
    frame: int = 0
    frame_ns: int = 0
    age_ns: int = NEVER
    transport: int = 0
    place_number: int = 0  # of the newest place that it has
    hears_ns: int = NEVER  # ago it last heard the other one
    goes_along: int = 0  # it is where the other one is
    within_ns: int = 0  # how well it knows the other one's clock
    lost_permille: int = 0  # of the other one's words
    leaves: int = 0  # it is being left in good order, and says goodbye


@dataclass(frozen=True, slots=True)
class Question:
    """What time is it? `asked_ns` is the time of the one who asks."""

    run: int
    asked_ns: int


@dataclass(frozen=True, slots=True)
class Answer:
    """The time, to the one who asked."""

    run: int
    asked_ns: int
    heard_ns: int
    answered_ns: int


@dataclass(frozen=True, slots=True)
class PlaceWord:
    """A place of an engine (engine/place.py)."""

    run: int
    number: int
    text: bytes


@dataclass(frozen=True, slots=True)
class Letter:
    """Words for people, once a second: where the show was begun, the name of the computer."""

    run: int
    song: str
    where: str
    computer: str


@dataclass(frozen=True, slots=True)
class OtherVersion:
    """A packet of another version of this."""

    version: int


Said = Word | Question | Answer | PlaceWord | Letter
_NUMBERS: tuple[tuple[type[Any], NowCodec], ...] = tuple(
    (kind, NowCodec(kind)) for kind in (Word, Question, Answer)
)
_PLACE, _LETTER = len(_NUMBERS), len(_NUMBERS) + 1


def packet(said: Said) -> bytes:
    """The bytes of one packet."""
    if isinstance(said, PlaceWord):
        return _sealed(
            _PLACE, _PLACE_HEAD.pack(said.run, said.number) + zlib.compress(said.text, 6)
        )
    if isinstance(said, Letter):
        texts = [text[:_SIGNS_MAX] for text in (said.song, said.where, said.computer)]
        return _sealed(_LETTER, struct.pack("<q", said.run) + "\n".join(texts).encode())
    for number, (kind, codec) in enumerate(_NUMBERS):
        if isinstance(said, kind):
            return _sealed(number, codec.pack(said))
    raise AssertionError(said)


def _sealed(kind: int, body: bytes) -> bytes:
    return _HEAD.pack(_LETTERS, VERSION, kind, zlib.crc32(body, kind)) + body


def said_in(data: bytes) -> Said | OtherVersion | None:
    """What a packet says; None for a stranger's, or one that was damaged."""
    if len(data) < _HEAD.size or data[:4] != _LETTERS:
        return None
    _, version, kind, sum_ = _HEAD.unpack_from(data)
    if version != VERSION:
        return OtherVersion(version)
    body = data[_HEAD.size :]
    return _said(kind, body) if zlib.crc32(body, kind) == sum_ else None


def _said(kind: int, body: bytes) -> Said | None:
    if kind < len(_NUMBERS):
        codec = _NUMBERS[kind][1]
        return codec.unpack(body) if len(body) == codec.size else None
    if kind == _PLACE:
        return _place(body)
    return _letter(body) if kind == _LETTER else None


def _place(body: bytes) -> PlaceWord | None:
    if len(body) < _PLACE_HEAD.size:
        return None
    run, number = _PLACE_HEAD.unpack_from(body)
    try:
        text = zlib.decompressobj().decompress(body[_PLACE_HEAD.size :], PLACE_BYTES + 1)
    except zlib.error:
        return None
    return PlaceWord(run, number, text) if len(text) <= PLACE_BYTES else None


def _letter(body: bytes) -> Letter | None:
    parts = body[8:].decode(errors="replace").split("\n")
    if len(body) < 8 or len(parts) != 3:
        return None
    texts = ["".join(sign for sign in part if sign.isprintable()) for part in parts]
    return Letter(struct.unpack_from("<q", body)[0], *texts)
