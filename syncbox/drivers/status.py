"""What a session tells about itself: a frozen picture for the screen, the log and `measure`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from syncbox.drivers import system
from syncbox.drivers.hostside import PortState
from syncbox.engine.records import Deck, Health, Pulse
from syncbox.units import NS_PER_SECOND


@dataclass(frozen=True, slots=True)
class Lengths:
    """How long the callback took, in microseconds, rounded up to a whole one."""

    p50_us: int
    p99_us: int
    max_us: int


def lengths(counts: Sequence[int], max_ns: int) -> Lengths:
    """Read a histogram whose bucket n counts lengths from n up to n + 1 us; all 0 when empty."""
    total = sum(counts)

    def quantile(part: float) -> int:
        seen = 0
        for bucket, count in enumerate(counts):
            seen += count
            if seen >= part * total:
                return bucket + 1
        return len(counts)

    if not total:
        return Lengths(0, 0, 0)
    return Lengths(quantile(0.5), quantile(0.99), -(-max_ns // 1000))


_SILENT_NS = 2 * NS_PER_SECOND  # no callback for so long: the audio system hangs
_TROUBLE = {
    Health.AUDIO_LOST: "The audio system went away.",
    Health.FAILED: "The engine failed and plays silence. Leave and start again.",
}


def trouble_of(pulse: Pulse) -> str:
    """What an engine says of itself, or does not say any more; empty when all is well."""
    silent = system.now_ns() - pulse.block_ns > _SILENT_NS
    if pulse.health == Health.RUNNING and pulse.blocks and silent:
        return "The audio system has stopped asking for sound."
    return _TROUBLE.get(pulse.health, "")


def refused(deck: Deck | None, now: Any) -> int:
    """Messages that found a queue full, on their way out or in."""
    if deck is None:
        return 0
    queues = sum(ring.refused for ring in (deck.to_sender, deck.played, deck.heard))
    return queues + int(getattr(now, "heard_lost", 0))


@dataclass(frozen=True, slots=True)
class Status:
    """One moment of a session.

    `frame` is the first frame of the newest block and `host_ns` the host time
    (`system.now_ns`) at which it was asked for. `now` is the engine's own `Now`.
    """

    driver: str
    device: str
    rate: int
    block_frames: int
    priority: str
    memory: str
    frame: int
    host_ns: int
    audio_frame_zero: int  # the audio system's number of frame 0 (JACK, modulo 2**32)
    now: Any
    blocks: int
    dropouts: int  # gaps in the sound
    lost_frames: int  # their length in all
    xruns: int  # complaints of the audio system
    callback: Lengths
    midi_sent: tuple[int, ...]  # messages per port of the rig
    midi_refused: int  # messages that were lost: a queue or the audio system was full
    log_refused: int  # messages that were sent but are missing from `sent`, which was read too late
    ports: tuple[PortState, ...]
    engine_alive: bool
    rescuing: bool  # it is not, but another one is on its way
    finished: bool  # faded out after quit
    trouble: str  # one sentence when something is badly wrong, else empty
    notes: tuple[str, ...]
