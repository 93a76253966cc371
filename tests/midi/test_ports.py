from __future__ import annotations

from fractions import Fraction

import pytest

from syncbox.midi.ports import SystemPort, matching, silencing_messages
from syncbox.score.rig import Instrument, MidiPort, Rig

BOX = SystemPort("bridge:Stage Box 24:0", ("Stage Box 24:0", "usb-1"))


@pytest.mark.parametrize(
    "pattern", ["*stage box*", "STAGE BOX *", "bridge:*", "usb-?", "usb-[12]", " usb-1 "]
)
def test_patterns_that_fit(pattern):
    assert BOX.fits(pattern)


@pytest.mark.parametrize("pattern", ["stage box", "usb-", "*box 25*", ""])
def test_a_pattern_means_the_whole_name(pattern):
    assert not BOX.fits(pattern)


def test_matching_keeps_the_systems_order():
    others = (SystemPort("b"), SystemPort("a"), SystemPort("c"))
    assert matching(others, "[ab]") == others[:2]


def test_only_channels_that_are_used_are_silenced():
    rig = Rig(
        ports=(
            MidiPort("one", "x", offset_ms=Fraction(-2), start_stop=True),
            MidiPort("two", "y"),
        ),
        instruments=(
            Instrument("organ", "one", 3),
            Instrument("second sound", "one", 3),
            Instrument("lead", "two", 1),
        ),
    )
    first, second = silencing_messages(rig)
    # MIDI 1.0 Detailed Specification 4.2.1: FC stop; controllers 64, 120, 121, 123 (Table III)
    assert [data.hex() for data in first] == ["fc", "b24000", "b27800", "b27900", "b27b00"]
    assert [data.hex() for data in second] == ["b04000", "b07800", "b07900", "b07b00"]
