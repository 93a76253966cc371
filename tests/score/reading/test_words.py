"""Single values as musicians write them: notes, tempi, meters, lengths, times, levels."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest

from syncbox.score.meter import Meter
from syncbox.score.reading import lengths, notes, numbers, rig_tables
from syncbox.score.reading.report import Mistake
from syncbox.score.rig import TempoTrim, Then
from syncbox.score.song import CountIn, Modulation, Span


@pytest.mark.parametrize(
    ("text", "quarters"),
    [
        ("whole", 4),
        ("half", 2),
        ("halves", 2),
        ("quarter", 1),
        ("Quarter Note", 1),
        ("eighth", Fraction(1, 2)),
        ("eighths", Fraction(1, 2)),
        ("8th", Fraction(1, 2)),
        ("1/8", Fraction(1, 2)),
        ("sixteenth", Fraction(1, 4)),
        ("16ths", Fraction(1, 4)),
        ("thirty-second", Fraction(1, 8)),
        ("thirty second", Fraction(1, 8)),
        ("32nd", Fraction(1, 8)),
        ("dotted quarter", Fraction(3, 2)),
        ("double dotted half", Fraction(7, 2)),
        ("double-dotted half", Fraction(7, 2)),
        ("eighth triplet", Fraction(1, 3)),
        ("eighth-triplets", Fraction(1, 3)),
        ("triplet quarter", Fraction(2, 3)),
        ("16th quintuplet", Fraction(1, 5)),
        ("semibreve", 4),
        ("minim", 2),
        ("crotchet", 1),
        ("dotted quaver", Fraction(3, 4)),
        ("semiquaver", Fraction(1, 4)),
        ("demisemiquaver", Fraction(1, 8)),
        ("♩", 1),
        ("♩.", Fraction(3, 2)),
        ("♩..", Fraction(7, 4)),
        ("♪", Fraction(1, 2)),
        ("♪.", Fraction(3, 4)),
        ("♪ triplet", Fraction(1, 3)),
        ("\U0001d15f", 1),
        ("\U0001d15e\U0001d16d", 3),
        ("\U0001d161", Fraction(1, 4)),
    ],
)
def test_note_values(text: str, quarters: Fraction) -> None:
    assert notes.note_quarters(text) == quarters


@pytest.mark.parametrize("text", ["", ".", "quart", "dotted", "♩...", "3", "triplet", "note"])
def test_what_is_no_note_value(text: str) -> None:
    with pytest.raises(Mistake, match="is not a note value"):
        notes.note_quarters(text)


@pytest.mark.parametrize(
    ("text", "qpm"),
    [
        ("96", 96),
        ("96.5", Fraction(193, 2)),
        ("96 bpm", 96),
        ("quarter = 96", 96),
        ("quarter=96", 96),
        ("dotted quarter = 80", 120),
        ("half = 54", 108),
        ("eighth = 184", 92),
        ("crotchet = 60", 60),
        ("♩ = 96", 96),
        ("♩. = 80", 120),
        ("020", 20),
        ("400", 400),
    ],
)
def test_tempi(text: str, qpm: Fraction) -> None:
    assert notes.tempo_qpm(text) == qpm


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("0", "write 20 to 400 quarters a minute"),
        ("19.9", "write 20 to 400 quarters a minute"),
        ("half = 201", "write 20 to 400 quarters a minute"),
        ("-5", "write 20 to 400 quarters a minute"),
        ("96,5", "write it with a point: 96.5"),
        ("fast", notes.TEMPO_HINT),
        ("1e3", notes.TEMPO_HINT),
        ("quarter = ", "write it in digits, for example 4 or 96.5"),
        ("quart = 96", notes.NOTE_HINT),
    ],
)
def test_what_is_no_tempo(text: str, hint: str) -> None:
    with pytest.raises(Mistake) as caught:
        notes.tempo_qpm(text)
    assert caught.value.hint == hint


@pytest.mark.parametrize(
    ("text", "ratio"),
    [
        # new quarter = old quarter x new / old: eighth triplet = eighth makes 120 into 180.
        ("eighth triplet = eighth", Fraction(3, 2)),
        ("dotted quarter = quarter", Fraction(2, 3)),
        ("♩ = ♩.", Fraction(3, 2)),
        ("16th-quintuplet = 16th", Fraction(5, 4)),
        ("half = quarter", Fraction(1, 2)),
    ],
)
def test_metric_modulations(text: str, ratio: Fraction) -> None:
    change = notes.modulation(text)
    assert isinstance(change, Modulation)
    assert change.new_quarters / change.old_quarters == ratio


def test_a_tempo_is_no_modulation() -> None:
    assert notes.modulation("quarter = 96") is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("4/4", Meter.of(4, 4)),
        ("6/8", Meter(6, 8, (3, 3))),
        ("7/8", Meter(7, 8, (1,) * 7)),
        ("7/8 in 2+2+3", Meter(7, 8, (2, 2, 3))),
        ("7/8 as 2 + 2 + 3", Meter(7, 8, (2, 2, 3))),
        ("7/8 (2+2+3)", Meter(7, 8, (2, 2, 3))),
        ("2+2+3/8", Meter(7, 8, (2, 2, 3))),
        ("5/4 in 3+2", Meter(5, 4, (3, 2))),
        ("cut time", Meter.of(2, 2)),
    ],
)
def test_meters(text: str, expected: Meter) -> None:
    assert lengths.meter(text) == expected


@pytest.mark.parametrize(
    "text",
    ["7/0", "0/4", "4/3", "65/4", "4", "4/4/4", "7/8 in 2+2+2", "6/8 in 6+0", "9" * 50 + "/4"],
)
def test_what_is_no_meter(text: str) -> None:
    with pytest.raises(Mistake):
        lengths.meter(text)


def test_a_meter_that_is_printed_can_be_read_again() -> None:
    for text in ("4/4", "6/8", "7/8 in 2+2+3", "5/4 in 3+2"):
        assert lengths.meter(str(lengths.meter(text))) == lengths.meter(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("8 bars", Span(bars=8)),
        ("1 bar", Span(bars=1)),
        ("6 beats", Span(beats=Fraction(6))),
        ("2 bars + 1 beat", Span(bars=2, beats=Fraction(1))),
        ("2 bars and a beat", Span(bars=2, beats=Fraction(1))),
        ("2.5 beats", Span(beats=Fraction(5, 2))),
        ("3 eighths", Span(ticks=30_240)),
        ("dotted quarter", Span(ticks=30_240)),
        ("1 beat + eighth", Span(beats=Fraction(1), ticks=10_080)),
        ("to the end", Span(to_end=True)),
    ],
)
def test_spans(text: str, expected: Span) -> None:
    assert lengths.span(text) == expected


@pytest.mark.parametrize(
    "text", ["", "0 bars", "8", "1.5 bars", "-2 bars", "4 bras", "+", "2 bars +"]
)
def test_what_is_no_span(text: str) -> None:
    with pytest.raises(Mistake):
        lengths.span(text)


@pytest.mark.parametrize(
    ("parse", "text", "expected"),
    [
        (lengths.count_in, "2 bars", CountIn(bars=2)),
        (lengths.count_in, "7 beats", CountIn(beats=7)),
        (lengths.count_in, "1 bar of 3/4", CountIn(bars=1, meter=Meter.of(3, 4))),
        (lengths.count_in, "none", CountIn()),
        (lengths.pickup, "eighth", Span(ticks=10_080)),
        (lengths.pickup, "none", None),
        (lengths.times, "2", 2),
        (lengths.times, "3 times", 3),
        (lengths.times, "4x", 4),
        (lengths.times, "twice", 2),
        (lengths.vamp, "yes", lengths.VAMP_USUAL),
        (lengths.vamp, "usually 6 times", 6),
        (lengths.vamp, "no", 0),
        (lengths.swing, "2:1", Fraction(2, 3)),
        (lengths.swing, "3 to 2", Fraction(3, 5)),
        (lengths.swing, "60 %", Fraction(3, 5)),
        (lengths.swing, "none", Fraction(1, 2)),
        (lengths.subdivision, "eighths", Fraction(1, 2)),
        (lengths.subdivision, "triplets", Fraction(1, 3)),
        (lengths.subdivision, "eighth triplets", Fraction(1, 3)),
        (lengths.subdivision, "none", None),
        (numbers.yes_no, "Yes", True),
        (numbers.yes_no, "OFF", False),
        (numbers.seconds, "1:30", 90),
        (numbers.seconds, "0:01.5", Fraction(3, 2)),
        (numbers.seconds, "1:02:03", 3723),
        (numbers.seconds, "90 s", 90),
        (numbers.seconds, "250 ms", Fraction(1, 4)),
        (numbers.seconds, "90 min", 5400),
        (numbers.seconds, "1 h 15 min", 4500),
        (numbers.seconds, "1.5 seconds", Fraction(3, 2)),
    ],
)
def test_other_values(parse: Callable[[str], object], text: str, expected: object) -> None:
    assert parse(text) == expected


@pytest.mark.parametrize(
    ("parse", "text"),
    [
        (lengths.count_in, "2"),
        (lengths.pickup, "2 bars"),
        (lengths.pickup, "to the end"),
        (lengths.times, "0"),
        (lengths.times, "-1"),
        (lengths.times, "201"),
        (lengths.vamp, "often"),
        (lengths.swing, "1:2"),
        (lengths.swing, "0:0"),
        (lengths.swing, "99 %"),
        (lengths.subdivision, "whole"),
        (numbers.yes_no, "maybe"),
        (numbers.seconds, "90"),
        (numbers.seconds, "1:75"),
        (numbers.seconds, "1:60:00"),
        (numbers.seconds, "5 bars"),
        (numbers.seconds, "s"),
        (numbers.seconds, ""),
    ],
)
def test_other_mistakes(parse: Callable[[str], object], text: str) -> None:
    with pytest.raises(Mistake):
        parse(text)


def test_levels() -> None:
    assert numbers.level("-6 dB", -90, 12) == -6.0
    assert numbers.level("\N{MINUS SIGN}6dB", -90, 12) == -6.0
    with pytest.raises(Mistake, match="out of range"):
        numbers.level("+13 dB", -90, 12)


def test_offsets_have_a_sign() -> None:
    assert numbers.milliseconds("-3 ms", -500, 500) == -3
    assert numbers.milliseconds("0.2 s", -500, 500) == 200
    with pytest.raises(Mistake):
        numbers.milliseconds("600 ms", -500, 500)


def test_tonights_words() -> None:
    assert rig_tables.tempo_trim("+2 %") == TempoTrim(factor=Fraction(51, 50))
    assert rig_tables.tempo_trim("-3 bpm") == TempoTrim(add_qpm=Fraction(-3))
    assert rig_tables._then("gap 5 s") == (Then.GAP, 5)
    assert rig_tables._then("segue") == (Then.SEGUE, 0)
    for text in ("2 %", "fast", "+80 %", "+"):
        with pytest.raises(Mistake):
            rig_tables.tempo_trim(text)
