"""The file format against the Standard MIDI-File Format Specification 1.1 (text of RP-001)."""

import hashlib
import io
from fractions import Fraction

import mido
import pytest

from syncbox.pack.smf import click_clocks, song_smf
from syncbox.score.layout import lay_out
from syncbox.score.meter import COMMON_TIME, Meter
from syncbox.score.rig import MidiPort, Rig
from syncbox.score.song import Body, Section, Song
from syncbox.units import TICKS_PER_QUARTER

PORT = MidiPort("keys", "*")


def song_file(*, tempo_qpm=Fraction(120), meter=COMMON_TIME, bars=1, name="A"):
    section = Section(name, Body(bars))
    song = Song("a", "T", tempo_qpm, (section,), meter=meter)
    return song_smf(lay_out(song), Rig(ports=(PORT,)), PORT)


# Variable-length quantities, the specification's own table (section 1.1), all rows.
QUANTITIES = [
    (0x00000000, "00"),
    (0x00000040, "40"),
    (0x0000007F, "7F"),
    (0x00000080, "81 00"),
    (0x00002000, "C0 00"),
    (0x00003FFF, "FF 7F"),
    (0x00004000, "81 80 00"),
    (0x00100000, "C0 80 00"),
    (0x001FFFFF, "FF FF 7F"),
    (0x00200000, "81 80 80 00"),
    (0x08000000, "C0 80 80 00"),
    (0x0FFFFFFF, "FF FF FF 7F"),
]


@pytest.mark.parametrize(("value", "shown"), QUANTITIES)
def test_variable_length_table(value, shown):
    track = mido.MidiTrack([mido.MetaMessage("end_of_track", time=value)])
    out = io.BytesIO()
    mido.MidiFile(type=0, tracks=[track]).save(file=out)
    assert out.getvalue().endswith(bytes.fromhex(shown) + bytes.fromhex("FF 2F 00"))


@pytest.mark.parametrize("quarters", [4, 1000, 13_315])
def test_our_longest_deltas_are_variable_length_quantities(quarters):
    # The end of the track comes so many ticks after the last event, in at most four bytes.
    data = song_file(meter=Meter.of(1, 4), bars=quarters)
    value, groups = quarters * TICKS_PER_QUARTER, []
    while value or not groups:
        value, low = divmod(value, 128)
        groups.insert(0, low | (0x80 if groups else 0))
    assert len(groups) <= 4
    assert data.endswith(bytes(groups) + bytes.fromhex("FF 2F 00"))


# Appendix 2, the format 0 and format 1 examples. The sums are of the bytes as printed there.
FORMAT_0 = """
4D546864 00000006 0000 0001 0060  4D54726B 0000003B
00 FF580404021808  00 FF510307A120  00 C005  00 C12E  00 C246
00 923060  00 3C60  60 914340  60 904C20  8140 823040  00 3C40  00 814340  00 804C40  00 FF2F00
"""
FORMAT_1 = """
4D546864 00000006 0001 0004 0060
4D54726B 00000014  00 FF580404021808  00 FF510307A120  8300 FF2F00
4D54726B 00000010  00 C005  8140 904C20  8140 4C00  00 FF2F00
4D54726B 0000000F  00 C12E  60 914340  8220 4300  00 FF2F00
4D54726B 00000015  00 C246  00 923060  00 3C60  8300 3000  00 3C00  00 FF2F00
"""
EXAMPLES = [
    (FORMAT_0, 81, "9c512dc6fc73b8bef93a39c93142b7e828cfe51bf5340b84fe0fc87f0b8536ed"),
    (FORMAT_1, 118, "83ba1f523c7d4591f9c190d76f5fc62e04c3eb0b4a87132e03067224061729c7"),
]


@pytest.mark.parametrize(("text", "size", "sha256"), EXAMPLES)
def test_example_files(text, size, sha256):
    data = bytes.fromhex(text)
    assert len(data) == size
    assert hashlib.sha256(data).hexdigest() == sha256
    file = mido.MidiFile(file=io.BytesIO(data))
    assert file.ticks_per_beat == 96
    assert file.length == pytest.approx(2.0, abs=1e-12)
    programs = {m.channel: m.program for m in file if m.type == "program_change"}
    assert programs == {0: 5, 1: 46, 2: 70}


def test_the_examples_first_track_is_what_we_write():
    # The format 1 example's tempo track says 4/4, a click a quarter, and 120 to the minute.
    first_events = bytes.fromhex("FF580404021808"), bytes.fromhex("FF510307A120")
    data = song_file()
    assert all(event in data and event in bytes.fromhex(FORMAT_1) for event in first_events)


# Microseconds a quarter, nearest to 60 000 000 / bpm (section 3.1, "Set Tempo": 24 bits).
TEMPI = [
    ("60", "0F4240"),
    ("72", "0CB735"),
    ("87.5", "0A7692"),
    ("90", "0A2C2B"),
    ("97", "09703D"),
    ("105", "08B825"),
    ("110", "0852AF"),
    ("113", "081A1D"),
    ("120", "07A120"),
    ("126", "07441E"),
    ("128", "07270E"),
    ("130", "070AE2"),
    ("140", "068A1B"),
    ("174", "0542FC"),
    ("180", "051615"),
    ("199", "0499C4"),
    ("240", "03D090"),
]


@pytest.mark.parametrize(("bpm", "shown"), TEMPI)
def test_tempo_rounding(bpm, shown):
    assert bytes.fromhex("00 FF 51 03" + shown) in song_file(tempo_qpm=Fraction(bpm))
    assert mido.bpm2tempo(float(bpm)) == int(shown, 16)


def test_four_minutes_at_120_are_within_500_us():
    # "A four-minute piece at 120 bpm [is] accurate within 500 usec": 480 quarters.
    # 119.9 to the minute rounds worse than 120, which is exact.
    for tempo_qpm in (Fraction(120), Fraction("119.9")):
        file = mido.MidiFile(file=io.BytesIO(song_file(tempo_qpm=tempo_qpm, bars=120)))
        assert abs(file.length - float(480 * 60 / tempo_qpm)) < 500e-6


# FF 58 04 nn dd cc bb: dd a power of two, cc clocks to a click, bb 32nds in 24 clocks.
# The specification's "other bytes (decimal)" column prints 24 for 18 hex; its 6/8
# example is in hex (24 hex is 36 clocks, a dotted quarter).
SIGNATURES = [
    (Meter.of(4, 4), "04 02 18 08"),
    (Meter.of(3, 4), "03 02 18 08"),
    (Meter.of(6, 8), "06 03 24 08"),
    (Meter.of(12, 8), "0C 03 24 08"),
    (Meter.of(7, 8, (2, 2, 3)), "07 03 0C 08"),
    (Meter.of(2, 2), "02 01 30 08"),
]


@pytest.mark.parametrize(("meter", "shown"), SIGNATURES)
def test_time_signature_bytes(meter, shown):
    assert bytes.fromhex("FF 58 04" + shown) in song_file(meter=meter)
    assert click_clocks(meter) == bytes.fromhex(shown)[2]


def test_marker_bytes():
    # FF 06 len text: rehearsal letter or section name. No source for the text itself.
    assert bytes.fromhex("FF 06 07 56 65 72 73 65 20 31") in song_file(name="Verse 1")
