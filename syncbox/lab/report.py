"""From what was captured to what a musician wants to know: numbers, and a verdict in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from syncbox.lab.reference import Grid
from syncbox.lab.statistics import Frames, Spread, drift_ppm, match, outside, spread

JITTER_MS = 1.0
JITTER_SOURCE = (
    "1 ms: the variation that D. Wessel and M. Wright ask of an instrument, "
    "Problems and Prospects for Intimate Musical Control of Computers, NIME 2001"
)
AUDIBLE_MS = 6.0
AUDIBLE_SOURCE = (
    "6 ms: where listeners begin to hear one displaced tone, A. Friberg and J. Sundberg, "
    "Time discrimination in a monotonic, isochronous sequence, J. Acoust. Soc. Am. 98(5), 1995"
)

MATCH_MS = 50  # leaving an event alone costs as much as an error of this length

NO_SPANS = np.empty((0, 2), dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Setting:
    """What a figure belongs to. `notes` say what could not be measured, and why."""

    driver: str
    device: str
    rate: int
    block_frames: int
    priority: str
    machine: str
    how: str  # the way of capturing, one sentence
    alignment: str = ""  # how the capture was laid over the grid, one sentence
    notes: tuple[str, ...] = ()
    clock_resolution_frames: int = 1  # finer than this the capture cannot tell clocks apart


@dataclass(frozen=True, slots=True)
class Evidence:
    """What was captured, in frames of the grid: 0 at the first downbeat. None: not captured.

    `clocks` are those of each port; `heard_clocks` those of the first port as they
    came through a path that moves them to block starts, where there is one.
    `dropouts` are spans (s, 2) in which the engine or the audio system lost time,
    `spoilt` those in which the capture itself did.
    """

    grid: Grid
    clicks: Frames | None = None
    clocks: tuple[Frames, ...] = ()
    patches: tuple[Frames, ...] = ()
    heard_clocks: Frames | None = None
    dropouts: NDArray[np.int64] = field(default_factory=lambda: NO_SPANS)
    spoilt: NDArray[np.int64] = field(default_factory=lambda: NO_SPANS)
    dropout_count: int = 0
    xrun_count: int = 0
    callback_us: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Series:
    """Events of one kind against their grid.

    `ideal` and `errors` belong to the pairs outside dropouts, shape (k,), frames.
    `count` is how many should have come, without those that the capture missed.
    """

    count: int
    ideal: Frames
    errors: Frames
    lost: int
    doubled: int
    at_dropouts: Spread

    @property
    def spread(self) -> Spread:
        return spread(self.errors)


def compare(ideal: Frames, captured: Frames, evidence: Evidence, *, rate: int) -> Series:
    """Match one kind of event with its grid; both arrays ascending, frames.

    An event that is up to 100 ms off still counts as itself, late or early.
    """
    ideal = ideal[outside(ideal, evidence.spoilt)]
    captured = captured[outside(captured, evidence.spoilt)]
    pairs = match(ideal, captured, window_frames=MATCH_MS * rate // 1000)
    wanted = ideal[pairs.ideal]
    calm = outside(wanted, evidence.dropouts)
    return Series(
        count=len(ideal),
        ideal=wanted[calm],
        errors=pairs.errors[calm],
        lost=len(pairs.lost),
        doubled=len(pairs.doubled),
        at_dropouts=spread(pairs.errors[~calm]),
    )


@dataclass(frozen=True, slots=True)
class Report:
    """All figures of one measurement. A series of None was not captured."""

    setting: Setting
    seconds: float
    clicks: Series | None
    clocks: tuple[Series, ...]
    patches: tuple[Series, ...]
    heard_clocks: Series | None
    clock_against_click: NDArray[np.int64]  # frames, at every captured beat
    drift_ppm: float | None
    dropouts: int
    xruns: int
    spoilt: int  # times that the capture itself lost frames
    callback_us: Mapping[str, int]

    @property
    def lost(self) -> int:
        return sum(series.lost for series in self._series())

    @property
    def doubled(self) -> int:
        return sum(series.doubled for series in self._series())

    def _series(self) -> tuple[Series, ...]:
        clicks = () if self.clicks is None else (self.clicks,)
        return (*clicks, *self.clocks, *self.patches)

    @property
    def worst_ms(self) -> float | None:
        """The largest error of any click, clock or patch, beside dropouts too."""
        spreads = [part for s in self._series() for part in (s.spread, s.at_dropouts)]
        sizes = [part.max for part in spreads if part.max is not None]
        return max(sizes) * 1000 / self.setting.rate if sizes else None

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and texts; null where something was not measured."""
        setting, clock = self.setting, self.clocks[0] if self.clocks else None
        good, verdict = judge(self)
        return {
            "driver": setting.driver,
            "device": setting.device,
            "rate": setting.rate,
            "block_frames": setting.block_frames,
            "priority": setting.priority,
            "seconds": round(self.seconds, 3),
            "clicks": None if self.clicks is None else self.clicks.count,
            "clocks": None if clock is None else clock.count,  # on each port
            "clock_ports": len(self.clocks),
            "click_error_frames": _spread_of(self.clicks),
            "clock_error_frames": _together(self.clocks),
            "clock_against_click_frames": asdict(spread(self.clock_against_click)),
            "patch_error_frames": _together(self.patches),
            "lost": self.lost,
            "doubled": self.doubled,
            "drift_ppm": self.drift_ppm,
            "dropouts": self.dropouts,
            "xruns": self.xruns,
            "at_dropouts_error_frames_max": self._worst_at_dropouts(),
            "capture_dropouts": self.spoilt,
            "clock_resolution_frames": setting.clock_resolution_frames if clock else None,
            "heard_clock_error_frames": _spread_of(self.heard_clocks),
            "callback_us": dict(self.callback_us),
            "machine": setting.machine,
            "how": setting.how,
            "alignment": setting.alignment,
            "notes": list(setting.notes),
            "good": good,
            "verdict": verdict,
        }

    def _worst_at_dropouts(self) -> float | None:
        sizes = [s.at_dropouts.max for s in self._series() if s.at_dropouts.max is not None]
        return max(sizes, default=None)

    def as_text(self) -> str:
        """The same for people."""
        setting = self.setting
        ms = 1000 / setting.rate
        lines = [
            f"{self.seconds:.0f} s on {setting.driver}, {setting.device}: {setting.rate} Hz, "
            f"blocks of {setting.block_frames} frames ({setting.block_frames * ms:.2f} ms)",
            f"priority: {setting.priority}",
            f"machine: {setting.machine}",
            f"how: {setting.how}",
            *([f"laid over the grid: {setting.alignment}"] if setting.alignment else []),
            "",
            f"{'frames (ms)':30}{'events':>8}{'p50':>14}{'p99':>14}{'max':>14}"
            f"{'lost':>6}{'doubled':>9}",
        ]
        for name, series in self._rows():
            cells = "".join(f"{_cell(value, ms):>14}" for value in asdict(series.spread).values())
            lines.append(f"{name:30}{series.count:>8}{cells}{series.lost:>6}{series.doubled:>9}")
        together = spread(self.clock_against_click)
        if together.max is not None:
            cells = "".join(f"{_cell(value, ms):>14}" for value in asdict(together).values())
            lines.append(f"{'clock against click':30}{len(self.clock_against_click):>8}{cells}")
        lines += ["", *self._remarks(), "", judge(self)[1], "", JITTER_SOURCE, AUDIBLE_SOURCE]
        return "\n".join(lines)

    def _rows(self) -> list[tuple[str, Series]]:
        rows = [] if self.clicks is None else [("click against ideal", self.clicks)]
        for what, many in (("clock", self.clocks), ("patches", self.patches)):
            rows += [
                (f"{what} against ideal, port {number}", series)
                for number, series in enumerate(many, 1)
            ]
        if self.heard_clocks is not None:
            rows.append(("clock as heard, port 1", self.heard_clocks))
        return rows

    def _remarks(self) -> list[str]:
        lines = []
        if self.drift_ppm is not None:
            lines.append(f"drift: {self.drift_ppm:+.3f} ppm")
        lines.append(f"dropouts: {self.dropouts}, complaints of the audio system: {self.xruns}")
        worst = self._worst_at_dropouts()
        if worst is not None:
            ms = worst * 1000 / self.setting.rate
            lines.append(f"largest error beside a dropout: {worst} frames ({ms:.2f} ms)")
        if self.callback_us:
            part = self.callback_us["p99"] * self.setting.rate / 1e4
            of_block = part / max(1, self.setting.block_frames)
            lines.append(
                f"callback: p50 {self.callback_us['p50']} us, p99 {self.callback_us['p99']} us "
                f"({of_block:.1f} % of a block), longest {self.callback_us['max']} us"
            )
        return lines + list(self.setting.notes)


def _cell(frames: float | None, ms: float) -> str:
    return "-" if frames is None else f"{frames:.0f} ({frames * ms:.2f})"


def _spread_of(series: Series | None) -> dict[str, float | None]:
    return asdict(Spread(None, None, None) if series is None else series.spread)


def _together(many: tuple[Series, ...]) -> dict[str, float | None]:
    """All ports in one spread."""
    if not many:
        return asdict(Spread(None, None, None))
    return asdict(spread(np.concatenate([series.errors for series in many])))


def report(setting: Setting, evidence: Evidence) -> Report:
    """Compare everything that was captured with where it ought to be."""
    grid, rate = evidence.grid, setting.rate
    clicks = (
        None
        if evidence.clicks is None
        else compare(grid.clicks, evidence.clicks, evidence, rate=rate)
    )
    clocks = tuple(compare(grid.clocks, frames, evidence, rate=rate) for frames in evidence.clocks)
    patches = tuple(
        compare(ideal, frames, evidence, rate=rate)
        for ideal, frames in zip(grid.patches, evidence.patches, strict=False)
    )
    heard = None
    if evidence.heard_clocks is not None:
        heard = compare(grid.clocks, evidence.heard_clocks, evidence, rate=rate)
    drifting = clicks if clicks is not None else (clocks[0] if clocks else None)
    return Report(
        setting=setting,
        seconds=grid.end / setting.rate,
        clicks=clicks,
        clocks=clocks,
        patches=patches,
        heard_clocks=heard,
        clock_against_click=_against_each_other(grid, clicks, heard or (clocks or (None,))[0]),
        drift_ppm=None if drifting is None else drift_ppm(drifting.ideal, drifting.errors),
        dropouts=evidence.dropout_count,
        xruns=evidence.xrun_count,
        spoilt=len(evidence.spoilt),
        callback_us=evidence.callback_us,
    )


def _against_each_other(grid: Grid, clicks: Series | None, clocks: Series | None) -> Frames:
    """Clock minus click at every beat where both were captured outside dropouts, frames."""
    if clicks is None or clocks is None:
        return np.empty(0, dtype=np.int64)
    click_of = dict(zip(clicks.ideal.tolist(), clicks.errors.tolist(), strict=True))
    clock_of = dict(zip(clocks.ideal.tolist(), clocks.errors.tolist(), strict=True))
    beats = grid.clicks[grid.beat_clicks].tolist()
    both = [
        clock_of[beat] - click_of[beat] for beat in beats if beat in click_of and beat in clock_of
    ]
    return np.array(both, dtype=np.int64)


def judge(found: Report) -> tuple[bool | None, str]:
    """Whether this machine is good enough tonight, and why. None: it cannot be told."""
    doubt = _doubt(found)
    if doubt:
        return None, f"Cannot tell: {doubt}"
    but = "" if found.clicks is not None else " (the click was not captured)"
    worst, target = found.worst_ms or 0.0, f"{JITTER_MS:.0f} ms"
    if found.dropouts or found.lost or found.doubled:
        return False, (
            f"Not good enough{but}: {found.dropouts} dropouts, {found.lost} events lost and "
            f"{found.doubled} too many in {found.seconds:.0f} s. Use larger blocks, close other "
            "programs, or allow real-time priority."
        )
    largest = f"the largest error is {worst:.2f} ms"
    if worst <= JITTER_MS:
        return True, f"Good enough{but}: {largest}, the target {target}."
    if worst <= AUDIBLE_MS:
        return False, (
            f"Usable, not good{but}: {largest}, over the target of {target} but below "
            f"{AUDIBLE_MS:.0f} ms, where listeners begin to hear it."
        )
    return False, (
        f"Not good enough{but}: {largest}, and listeners begin to hear it at {AUDIBLE_MS:.0f} ms."
    )


def _doubt(found: Report) -> str:
    """Why these figures say nothing about this computer; empty when they do."""
    worst = found.worst_ms
    if found.setting.driver == "simulated":
        return (
            "the simulated driver says nothing about this computer, only that the program itself "
            f"is off by {worst or 0:.2f} ms at most."
        )
    if worst is None:
        return "nothing was captured."
    if found.spoilt and (found.lost or found.doubled):
        return (
            f"the capture itself lost frames {found.spoilt} times. Close other programs and "
            "measure again."
        )
    return ""
