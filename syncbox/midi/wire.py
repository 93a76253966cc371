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
from math import ceil

from syncbox.score.rig import Wire
from syncbox.units import CLOCKS_PER_QUARTER

BYTE_US = 320
US_PER_MINUTE = 60_000_000
QUARTER_FRAME_US = Fraction(25_000, 3)  # of time code at its fastest, 30 code frames a second
QUARTER_FRAME_BYTES = 2
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
    byte_count: int,
    wire: Wire,
    clock_qpm: Fraction | None,
    *,
    message_bytes: int = 0,
    time_code: bool = False,
) -> int:
    """Microseconds until the last byte is sent, clocks at `clock_qpm` coming at the worst time.

    Clocks go first, and so do the quarter frames of a `time_code`. A message that one of
    them would fall into waits until it has passed, so each of them in the burst costs its
    own bytes and up to `message_bytes`, the longest message, of idle wire; one may fall
    on the burst's very beginning. None: no clock runs on this port.
    """
    if wire is Wire.USB or byte_count == 0:
        return wire_us(byte_count, wire)
    guests: list[tuple[Fraction, int]] = []  # what comes in between: interval in us, bytes
    if clock_qpm is not None:
        clock_us = Fraction(US_PER_MINUTE) / (clock_qpm * CLOCKS_PER_QUARTER)
        assert clock_us > BYTE_US, f"a clock at {clock_qpm} quarters a minute fills the wire"
        guests.append((clock_us, 1))
    if time_code:
        guests.append((QUARTER_FRAME_US, QUARTER_FRAME_BYTES))
    costs = [
        own + message_bytes if (own + message_bytes) * BYTE_US < interval_us else own
        for interval_us, own in guests  # a long message between fast guests cannot wait
    ]
    load = sum(
        Fraction(cost * BYTE_US) / interval
        for cost, (interval, _) in zip(costs, guests, strict=True)
    )
    if load >= 1:
        costs = [own for _, own in guests]
    total_us = byte_count * BYTE_US
    while True:
        counts = [max(1, ceil(total_us / interval_us)) for interval_us, _ in guests]
        busy = sum(count * cost for count, cost in zip(counts, costs, strict=True))
        if (longer_us := (byte_count + busy) * BYTE_US) <= total_us:
            return total_us
        total_us = longer_us


def burst_plan(
    parts: Sequence[BurstPart],
    wire: Wire,
    clock_qpm: Fraction | None,
    *,
    time_code: bool = False,
) -> tuple[PatchLead, ...]:
    """Parts of one burst on one port in sending order, each with its lead.

    `clock_qpm` is the fastest tempo around the bar line where the port carries
    clock, else None; `time_code`: the port carries quarter frames. Leads never grow from
    one to the next; equal loading times keep the order given.
    """
    order = sorted(range(len(parts)), key=lambda index: -parts[index].loading_us)
    plan: list[PatchLead] = []
    for position, index in enumerate(order):
        byte_count = lead_us = 0
        for later in order[position:]:
            byte_count += parts[later].byte_count
            needed_us = parts[later].loading_us + burst_us(
                byte_count,
                wire,
                clock_qpm,
                message_bytes=CHANNEL_MESSAGE_BYTES,
                time_code=time_code,
            )
            lead_us = max(lead_us, needed_us)
        plan.append(PatchLead(index, lead_us))
    return tuple(plan)
