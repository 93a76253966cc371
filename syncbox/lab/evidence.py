"""From what a session and a capture tell to events on the grid of the reference song."""

from __future__ import annotations

import os
import platform
import shutil
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from syncbox.drivers import system
from syncbox.drivers.choose import Choice
from syncbox.drivers.simulated import Recording
from syncbox.drivers.status import Status
from syncbox.engine.records import SentEvent
from syncbox.errors import DeviceError, EngineError
from syncbox.lab.capture import Heard
from syncbox.lab.onsets import digital_onsets
from syncbox.lab.reference import Grid
from syncbox.lab.report import NO_SPANS, Evidence, Setting
from syncbox.lab.statistics import Frames
from syncbox.midi.messages import STATUS
from syncbox.units import NS_PER_SECOND

AROUND_DROPOUT_MS = 60  # events this near to a dropout may have been moved by it
_FRAME_MASK = 0xFFFF_FFFF
_CLOCK, _PROGRAM = STATUS["clock"], STATUS["program change"]


def no_jack() -> str:
    """What to do where no JACK server answers."""
    if not system.has_jack_driver():
        return "JACK is used on Linux only, so click and clock are not captured together"
    if shutil.which("jackd") is None:
        return "jackd is not installed: install jackd2, or PipeWire with pipewire-jack"
    return "start a JACK server, for example: jackd -d alsa -r 48000 -p 256"


def machine() -> str:
    """The computer in one line: what a figure belongs to."""
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    return (
        f"{platform.system()} {platform.release()} {platform.machine()}, "
        f"{os.cpu_count()} processors{load}, Python {platform.python_version()}"
    )


@dataclass(frozen=True, slots=True)
class Take:
    """What the session itself told while it played.

    spans: shape (s, 2), frames of the engine around which somebody lost time; gaps: shape
    (g, 2), those of them in which the engine itself did.
    """

    sent: list[SentEvent]
    spans: NDArray[np.int64]
    gaps: NDArray[np.int64]
    before: Status
    after: Status

    def downbeat(self) -> int:
        """The engine's frame of the first downbeat, which is its first clock's."""
        return _first_clock(self.sent, self.after.trouble)

    def counts(self) -> dict[str, Any]:
        """Troubles since start was pressed, and the callback's length over the whole session."""
        lengths = self.after.callback
        return {
            "dropout_count": self.after.dropouts - self.before.dropouts,
            "xrun_count": self.after.xruns - self.before.xruns,
            "callback_us": {"p50": lengths.p50_us, "p99": lengths.p99_us, "max": lengths.max_us},
        }


def _first_clock(sent: list[SentEvent], trouble: str = "") -> int:
    for event in sent:
        if event.why == "clock":
            return event.frame
    raise EngineError("the engine played nothing", hint=trouble)


def spans_of(rows: list[tuple[int, int]], *, rate: int) -> NDArray[np.int64]:
    """Stretches of lost time with their surroundings, shape (s, 2), frames."""
    around = AROUND_DROPOUT_MS * rate // 1000
    wide = [(first - around, end + around) for first, end in rows]
    return np.array(wide, dtype=np.int64).reshape(-1, 2) if wide else NO_SPANS


# --- on the audio system's own frame numbers ----------------------------------------------------


def evidence_of_frames(
    choice: Choice, take: Take, grid: Grid, heard: Heard, *, cable: bool, ports: int
) -> tuple[Setting, Evidence]:
    """The capture heard audio and MIDI by the frame numbers of a JACK server.

    `cable`: through real outputs and inputs; then the way there takes its own time.
    """
    downbeat = take.downbeat()
    spans = take.spans - downbeat
    planned = heard.frame_of((take.after.audio_frame_zero + downbeat) & _FRAME_MASK)
    late = _lateness(heard.clicks[0] - planned, grid, spans, heard.rate)
    zero = planned + late
    missed = [(first - zero, first + lost - zero) for first, lost in heard.gaps.tolist()]
    own, shared = _whose(spans_of(missed, rate=heard.rate), take.gaps - downbeat)
    evidence = Evidence(
        grid=grid,
        clicks=_of_the_song(heard.clicks[0] - zero, grid),
        clocks=tuple(heard.messages(port, _CLOCK) - zero for port in range(ports)),
        patches=tuple(_patches_heard(heard, port, zero) for port in range(ports)),
        dropouts=np.concatenate([spans, shared]),
        spoilt=own,
        **take.counts(),
    )
    way = "through a cable into a real input" if cable else "on the server's frame numbers"
    return _setting(
        choice,
        take,
        heard,
        how=f"captured by a second JACK client in its own process, {way}",
        alignment=f"by the first downbeat, heard {late} frames after its place in the engine",
    ), evidence


def _setting(
    choice: Choice,
    take: Take,
    heard: Heard | None,
    *,
    how: str,
    alignment: str,
    notes: tuple[str, ...] = (),
    resolution: int = 1,
) -> Setting:
    priority = f"engine: {take.after.priority}"
    if heard is not None:
        priority += f"; capture: {heard.priority}"
        if heard.full:
            notes = (*notes, "The capture had no room for the end of the song.")
    return Setting(
        driver=choice.driver,
        device=take.after.device,
        rate=choice.rate,
        block_frames=take.after.block_frames,
        priority=priority,
        machine=machine(),
        how=how,
        alignment=alignment,
        notes=(*take.after.notes, *notes),
        clock_resolution_frames=resolution,
    )


def _lateness(clicks: Frames, grid: Grid, spans: NDArray[np.int64], rate: int) -> int:
    """How much later than planned the first downbeat is heard; clicks from its plan, frames.

    Where a dropout took the downbeat, the next click outside of dropouts serves.
    """
    wanted: int
    for wanted in grid.clicks[grid.clicks >= 0].tolist():
        if any(first <= wanted < end for first, end in spans.tolist()):
            continue
        near = clicks[(clicks > wanted - rate // 20) & (clicks < wanted + rate // 4)]
        if len(near):
            return int(near[0]) - wanted
    raise DeviceError("no click was captured", hint="is the cable in, and the level up?")


def _of_the_song(clicks: Frames, grid: Grid) -> Frames:
    """What may belong to the song: what rang before it is not a click too many."""
    first = int(grid.clicks[0]) - int(np.diff(grid.clicks).min()) // 2
    return np.asarray(clicks[clicks >= first], dtype=np.int64)


def _patches_heard(heard: Heard, port: int, zero: int) -> Frames:
    """Program changes after the downbeat; those of the first section went out before."""
    status = heard.midi_bytes[:, 0] & 0xF0
    frames = heard.midi[(heard.midi[:, 1] == port) & (status == _PROGRAM), 0] - zero
    return np.asarray(frames[frames > 0], dtype=np.int64)


def _whose(
    missed: NDArray[np.int64], engine: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Gaps of the capture: those it has alone, and those in which the engine lost time too."""
    together = [
        any(first < end and begin < last for begin, end in engine.tolist())
        for first, last in missed.tolist()
    ]
    mask = np.array(together, dtype=np.bool_)
    return missed[~mask], missed[mask]


# --- by the sender's own times -------------------------------------------------------------------


def evidence_of_times(
    choice: Choice, take: Take, grid: Grid, heard: Heard | None
) -> tuple[Setting, Evidence]:
    """The clock by when the sender was asked and when it sent; the click where it was captured."""
    rate, block_frames = choice.rate, take.after.block_frames
    downbeat = take.downbeat()
    clicks = clocks_heard = None
    spoilt = NO_SPANS
    how = "the clock by the sender's own times of asking and sending"
    notes: tuple[str, ...]
    if heard is None:
        notes = (f"The click was not captured. To capture it: {no_jack()}.",)
    else:
        onsets = heard.clicks[0]
        if not len(onsets):
            raise DeviceError("no click was captured", hint="is the audio output connected?")
        zero = int(onsets[0] - grid.clicks[0])
        clicks, clocks_heard = onsets - zero, heard.messages(0, _CLOCK) - zero
        spoilt = spans_of([(a - zero, a + n - zero) for a, n in heard.gaps.tolist()], rate=rate)
        how += "; the click captured by a second JACK client in its own process"
        notes = (
            "MIDI enters JACK at block starts only: the clock as heard is told no finer than "
            f"{block_frames} frames, and has another way to go than the click.",
        )
    ports = range(len(grid.patches))
    evidence = Evidence(
        grid=grid,
        clicks=clicks,
        clocks=tuple(_sent_frames(take.sent, port, _CLOCK, downbeat, rate) for port in ports),
        patches=tuple(_sent_frames(take.sent, port, _PROGRAM, downbeat, rate) for port in ports),
        heard_clocks=clocks_heard,
        dropouts=take.spans - downbeat,
        spoilt=spoilt,
        **take.counts(),
    )
    setting = _setting(
        choice,
        take,
        heard,
        how=how,
        alignment="by the first downbeat",
        notes=notes,
        resolution=1 if heard is None else block_frames,
    )
    return setting, evidence


def _sent_frames(sent: list[SentEvent], port: int, status: int, downbeat: int, rate: int) -> Frames:
    """When messages of one kind really left, as frames from the downbeat; later ones only.

    The frame they were meant for, and how late they were by the host's clock.
    """
    frames = []
    for event in sent:
        kind = event.data[0] if event.data[0] >= 0xF0 else event.data[0] & 0xF0
        if event.port != port or kind != status:
            continue
        late_ns = (event.actual_ns or 0) - (event.asked_ns or 0)
        frames.append(event.frame - downbeat + round(late_ns * rate / NS_PER_SECOND))
    first = 1 if status == _PROGRAM else 0
    return np.array(sorted(frame for frame in frames if frame >= first), dtype=np.int64)


# --- from a virtual device ------------------------------------------------------------------------


def evidence_of_recording(recording: Recording, grid: Grid) -> Evidence:
    """Everything that came out of a simulated run with its audio kept."""
    assert recording.audio is not None
    downbeat = _first_clock(recording.events)
    clicks = digital_onsets(recording.audio[0], rate=recording.rate) - downbeat
    gaps = [(first - downbeat, first + lost - downbeat) for first, lost in recording.gaps]
    spans = spans_of(gaps, rate=recording.rate)
    late = _lateness(clicks, grid, spans, recording.rate)
    ports = range(len(grid.patches))
    return Evidence(
        grid=grid,
        clicks=clicks - late,
        clocks=tuple(
            _sent_frames(recording.events, port, _CLOCK, downbeat + late, recording.rate)
            for port in ports
        ),
        patches=tuple(
            _sent_frames(recording.events, port, _PROGRAM, downbeat + late, recording.rate)
            for port in ports
        ),
        dropouts=spans,
        dropout_count=len(recording.gaps),
    )
