"""What is sent for one musical moment: bursts of messages, port by port, each with its lead.

On every port the patches go first, the slowest instrument leading, then
controllers and system exclusive messages, which must find the new patch loaded.
All of it is finished, and every sound loaded, when the moment comes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from syncbox.midi.messages import patch
from syncbox.midi.panel import PatchBytes
from syncbox.midi.wire import BurstPart, burst_plan, burst_us
from syncbox.schedule.program import MessageOut, PatchOut
from syncbox.score.rig import Instrument, MidiPort, Rig
from syncbox.units import ms_to_frames


@dataclass(slots=True)
class Burst:
    """Messages for one tick, collected before their leads are known."""

    rig: Rig
    rate: int
    fastest_qpm: Fraction
    patches: list[tuple[Instrument, PatchBytes]] = field(default_factory=list)
    messages: list[tuple[Instrument, bytes, str]] = field(default_factory=list)

    def add_patch(self, instrument: Instrument, chosen: PatchBytes) -> None:
        """A later patch for the same instrument replaces an earlier one."""
        self.patches = [entry for entry in self.patches if entry[0] is not instrument]
        self.patches.append((instrument, chosen))

    def add_message(self, instrument: Instrument, data: bytes, why: str) -> None:
        self.messages.append((instrument, data, why))


def burst_events(burst: Burst) -> Iterator[tuple[int, PatchOut | MessageOut]]:
    """(shift in frames, event) for every message, in sending order on each port."""
    for index, port in enumerate(burst.rig.ports):
        if port.patches:
            yield from _port_events(burst, index, port)


def _port_events(
    burst: Burst, index: int, port: MidiPort
) -> Iterator[tuple[int, PatchOut | MessageOut]]:
    clock_qpm = burst.fastest_qpm if port.clock else None
    here = [entry for entry in burst.patches if entry[0].port == port.name]
    later = [entry for entry in burst.messages if entry[0].port == port.name]
    after_bytes = sum(len(data) for _, data, _ in later)
    longest = max((len(data) for _, data, _ in later), default=0)
    code = port.time_code
    after_us = burst_us(after_bytes, port.wire, clock_qpm, message_bytes=longest, time_code=code)
    parts = [
        # What follows the patches on this wire pushes them earlier, like a loading time.
        BurstPart(chosen.byte_count, max(after_us, round(instrument.loading_ms * 1000)))
        for instrument, chosen in here
    ]
    for lead in burst_plan(parts, port.wire, clock_qpm, time_code=code):
        instrument, chosen = here[lead.index]
        shift = lead_shift(port.offset_ms, lead.lead_us, burst.rate)
        yield (
            shift,
            PatchOut(
                index,
                burst.rig.instruments.index(instrument),
                ((chosen.msb or 0) * 128 + (chosen.lsb or 0)) * 128 + chosen.program,
                patch(instrument.channel, chosen.msb, chosen.lsb, chosen.program),
                ms_to_frames(instrument.loading_ms, rate=burst.rate),
                max(0, -shift) if instrument.when_released else 0,
            ),
        )
    for position, (_, data, why) in enumerate(later):
        rest = sum(len(entry[1]) for entry in later[position:])
        lead_us = burst_us(rest, port.wire, clock_qpm, message_bytes=longest, time_code=code)
        yield lead_shift(port.offset_ms, lead_us, burst.rate), MessageOut(index, data, why)


def lead_shift(offset_ms: Fraction, lead_us: int, rate: int) -> int:
    """Frames by which an event moves: its port's offset less its lead, the lead rounded up."""
    return ms_to_frames(offset_ms, rate=rate) - -(-lead_us * rate // 1_000_000)
