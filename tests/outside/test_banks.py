"""Banks and displays against the MIDI 1.0 Detailed Specification 4.2.1 (MMA, 1996)."""

import pytest

from syncbox.midi import messages
from syncbox.midi.panel import patch_bytes
from syncbox.score.rig import BankCount, Panel, ProgramCount


# p. 14, the table of banks; "as with program numbers, banks begin counting from 1".
# Rows 256 and 16384 follow from its rule. Bytes: p. 13, MSB, LSB, program at once.
@pytest.mark.parametrize(
    ("shown", "data"),
    [
        (1, "b0 00 00 b0 20 00 c0 00"),
        (128, "b0 00 00 b0 20 7f c0 00"),
        (129, "b0 00 01 b0 20 00 c0 00"),
        (256, "b0 00 01 b0 20 7f c0 00"),
        (16_384, "b0 00 7f b0 20 7f c0 00"),
    ],
)
def test_bank_table(shown, data):
    panel = Panel(ProgramCount.FROM_1, BankCount.FROM_1)
    patch = patch_bytes(panel, f"{shown}/1")
    sent = b"".join(messages.patch(1, patch.msb, patch.lsb, patch.program))
    assert sent == bytes.fromhex(data)


# p. 18: "octal 11 would be 00H, 12 would be 01H"; the last three follow from the rule.
@pytest.mark.parametrize(
    ("shown", "wire"), [("11", 0), ("12", 1), ("18", 7), ("21", 8), ("88", 63)]
)
def test_octal_display(shown, wire):
    assert patch_bytes(Panel(ProgramCount.EIGHTS), shown).program == wire


def test_highest_channel_and_program():
    # Table I, note: the channel nibble is the channel less one.
    program = patch_bytes(Panel(ProgramCount.FROM_1), "128").program
    assert messages.program_change(16, program) == b"\xcf\x7f"
