"""MIDI Time Code: quarter frames, and the full message that tells a place at once.

Eight quarter frames tell one label and take two code frames; piece 0 is sent on the
boundary of the code frame that it names. Source: MIDI Time Code (RP-004/RP-008 in the
MIDI 1.0 Detailed Specification 4.2.1), p. 1-5.
"""

from __future__ import annotations

from syncbox.score.timecode import CodeRate, label_of

QUARTER_FRAME = 0xF1
PIECES = 8  # quarter frames to a label
QUARTERS_PER_FRAME = 4
TYPE = {
    CodeRate.FPS_24: 0,
    CodeRate.FPS_25: 1,
    CodeRate.DROP: 2,
    # There is no fifth type: at 29.97 without drop only the pace of the messages differs.
    CodeRate.NON_DROP: 3,
    CodeRate.FPS_30: 3,
}
ALL_DEVICES = 0x7F


def quarter_frame(code_frame: int, piece: int, rate: CodeRate) -> bytes:
    """Piece 0 to 7 of the label of a code frame, low half of each number first (p. 1-2)."""
    hours, minutes, seconds, frames = label_of(code_frame, rate)
    value = (frames, seconds, minutes, hours | TYPE[rate] << 5)[piece // 2]
    half = value >> 4 if piece % 2 else value & 0x0F
    return bytes((QUARTER_FRAME, piece << 4 | half))


def full_message(code_frame: int, rate: CodeRate) -> bytes:
    """The whole label in one message, for all devices (p. 5). Time stands until quarter frames."""
    hours, minutes, seconds, frames = label_of(code_frame, rate)
    kind = TYPE[rate] << 5
    return bytes(
        (0xF0, 0x7F, ALL_DEVICES, 0x01, 0x01, hours | kind, minutes, seconds, frames, 0xF7)
    )


def named_frame(quarter: int) -> tuple[int, int]:
    """Of the quarter frame `quarter` (4 to a code frame, from 0): (code frame it names, piece).

    Labels begin on even code frames, as types 24 and 30 need (p. 4).
    """
    return quarter // PIECES * 2, quarter % PIECES
