"""How long bytes take on a port, and how early a burst of patches must leave.

A DIN cable moves 31 250 bits a second and ten bits a byte, so one byte takes 320
microseconds (MIDI 1.0 Detailed Specification 4.2.1, p. 1); sixteen patches with
banks take 41 ms and cannot be sent on the bar line. A USB port is taken as instant.

A burst is planned backwards from its bar line. Each patch must be wholly sent, and
its sound loaded, when the bar line comes, whatever clock bytes push in between:

    lead of patch s = max over k >= s of (loading of k + time for the bytes of s to k)

because the bytes of s to k leave one after the other in the worst case. Sending
the longest loading first makes the longest lead as short as any order can (Jackson's
rule for one machine with delivery times).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from syncbox.score.rig import Wire
from syncbox.units import CLOCKS_PER_QUARTER

BYTE_US = 320
US_PER_MINUTE = 60_000_000
CHANNEL_MESSAGE_BYTES = 3  # the longest message of a patch change

assert BYTE_US * 31_250 == 10 * 1_000_000  # ten bits at 31.25 kbaud


@dataclass(frozen=True, slots=True)
class BurstPart:
    """What one instrument is sent at a bar line: how many bytes, and its loading time."""

    byte_count: int
    loading_us: int


@dataclass(frozen=True, slots=True)
class PatchLead:
    """When a part of the burst leaves: microseconds before the bar line."""

    index: int  # into the parts as they were given
    lead_us: int


def wire_us(byte_count: int, wire: Wire) -> int:
    """Microseconds that bytes occupy a port with nothing in between."""
    return byte_count * BYTE_US if wire is Wire.DIN else 0


def burst_us(
    byte_count: int, wire: Wire, clock_qpm: Fraction | None, *, message_bytes: int = 0
) -> int:
    """Microseconds until the last byte is sent, clocks at `clock_qpm` coming at the worst time.

    Real-time bytes go first. A message that a clock would fall into waits until the
    clock has passed, so each clock in the burst costs its own byte and up to
    `message_bytes`, the longest message, of idle wire; one may fall on the burst's very
    beginning. None: no clock runs on this port.
    """
    if clock_qpm is None or wire is Wire.USB or byte_count == 0:
        return wire_us(byte_count, wire)
    clock_us = Fraction(US_PER_MINUTE) / (clock_qpm * CLOCKS_PER_QUARTER)
    cost = 1 + message_bytes
    if cost * BYTE_US >= clock_us:  # a long message between fast clocks: it cannot wait
        cost = 1
    assert clock_us > BYTE_US, f"a clock at {clock_qpm} quarters a minute fills the wire"
    clock_count = 1
    while (total_us := (byte_count + clock_count * cost) * BYTE_US) > clock_us * clock_count:
        clock_count += 1
    return total_us


def burst_plan(
    parts: Sequence[BurstPart], wire: Wire, clock_qpm: Fraction | None
) -> tuple[PatchLead, ...]:
    """Parts of one burst on one port in sending order, each with its lead.

    `clock_qpm` is the fastest tempo around the bar line where the port carries
    clock, else None. Leads never grow from one to the next; equal loading times keep
    the order given.
    """
    order = sorted(range(len(parts)), key=lambda index: -parts[index].loading_us)
    plan: list[PatchLead] = []
    for position, index in enumerate(order):
        byte_count = lead_us = 0
        for later in order[position:]:
            byte_count += parts[later].byte_count
            needed_us = parts[later].loading_us + burst_us(
                byte_count, wire, clock_qpm, message_bytes=CHANNEL_MESSAGE_BYTES
            )
            lead_us = max(lead_us, needed_us)
        plan.append(PatchLead(index, lead_us))
    return tuple(plan)
