"""Packets go round, and whatever else a network carries is nothing."""

from __future__ import annotations

import dataclasses
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.drivers.spare_words import (
    Answer,
    Letter,
    OtherVersion,
    PlaceWord,
    Question,
    Word,
    packet,
    said_in,
)
from syncbox.engine.records import PLACE_BYTES

whole = st.integers(-(2**63), 2**63 - 1)
words = st.builds(Word, **{field.name: whole for field in dataclasses.fields(Word)})
texts = st.text(st.characters(categories=["L", "N", "P", "S"]), max_size=60)
everything = st.one_of(
    words,
    st.builds(Question, whole, whole),
    st.builds(Answer, whole, whole, whole, whole),
    st.builds(PlaceWord, whole, whole, st.binary(max_size=4000)),
    st.builds(Letter, whole, texts, texts, texts),
)


@given(everything)
def test_what_is_said_is_heard(said) -> None:
    assert said_in(packet(said)) == said


@given(st.binary(max_size=2000))
def test_strangers_say_nothing(data: bytes) -> None:
    assert said_in(data) is None


@given(everything, st.data())
def test_a_packet_that_was_damaged_says_nothing(said, data: st.DataObject) -> None:
    whole_packet = packet(said)
    at = data.draw(st.integers(5, len(whole_packet) - 1))
    bit = data.draw(st.integers(0, 7))
    torn = bytearray(whole_packet)
    torn[at] ^= 1 << bit
    assert said_in(bytes(torn)) is None
    assert said_in(whole_packet[: data.draw(st.integers(0, len(whole_packet) - 1))]) is None


def test_another_version_is_told_from_a_stranger() -> None:
    other = bytearray(packet(Word()))
    other[4] = 77
    assert said_in(bytes(other)) == OtherVersion(77)


def test_a_place_that_would_fill_the_memory_is_refused() -> None:
    bomb = PlaceWord(1, 1, bytes(50_000_000))
    assert len(packet(bomb)) < 60_000
    assert said_in(packet(bomb)) is None
    assert said_in(packet(PlaceWord(1, 1, bytes(PLACE_BYTES)))) is not None


@pytest.mark.parametrize(
    "body", [b"", b"1234567", b"12345678one\ntwo", b"12345678\xff\n\xff\n\x1b["]
)
def test_letters_without_sense(body: bytes) -> None:
    kind = packet(Letter(1, "", "", ""))[5]
    head = packet(Letter(1, "", "", ""))[:6] + zlib.crc32(body, kind).to_bytes(4, "little")
    said = said_in(head + body)
    assert said is None or (isinstance(said, Letter) and "\x1b" not in said.computer)


def test_a_long_letter_is_cut() -> None:
    said = said_in(packet(Letter(1, "s" * 500, "w" * 500, "c" * 500)))
    assert said == Letter(1, "s" * 60, "w" * 60, "c" * 60)
