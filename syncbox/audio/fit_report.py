"""What was done to a loop, as text, as data and as a picture."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from syncbox.audio.find import CLEAR
from syncbox.audio.fit import Fitted, percentiles
from syncbox.audio.loudness import Loudness
from syncbox.audio.onsets import Sound
from syncbox.errors import UnreadableError
from syncbox.units import TICKS_PER_QUARTER


@dataclass(frozen=True, slots=True)
class FitReport:
    """A fitted loop with where it came from and what it is for."""

    file: str
    rate: int
    fitted: Fitted
    place: str  # what it was fitted to, in words
    loudness: Loudness | None  # None: the library that measures it is not there
    written: str = ""


def as_data(report: FitReport) -> dict[str, Any]:
    """What `--json` prints: lengths in frames at `rate`, errors in ms, full scale is 1."""
    fitted, rate = report.fitted, report.rate
    found = fitted.found
    loudness = report.loudness
    return {
        "file": report.file,
        "written": report.written or None,
        "rate": rate,
        "way": fitted.way.value,
        "source_tempo": round(found.tempo_qpm(rate), 4),
        "bars": found.bars,
        "start_frame": found.start_frame,
        "frames": fitted.source.shape[1],
        "target_frames": fitted.target.frame_count,
        "ratio": fitted.tempo_ratio(),
        "certainty": found.certainty,
        "hits": len(fitted.hits),
        "hits_found": len(fitted.errors_ms),
        "onset_error_ms": percentiles(fitted.errors_ms),
        "seam_step": fitted.seam_step,
        "largest_step": fitted.largest_step,
        "loudness_lufs": loudness.lufs if loudness else None,
        "true_peak_db": loudness.true_peak_db if loudness else None,
    }


def as_text(report: FitReport) -> str:
    """The same for a person, a few lines."""
    fitted, rate = report.fitted, report.rate
    found = fitted.found
    bars = f"{found.bars} bar{'s' if found.bars > 1 else ''}"
    ratio = fitted.tempo_ratio()
    speed = f"{max(ratio, 1 / ratio):.3f} times {'faster' if ratio > 1 else 'slower'}"
    if fitted.source.shape[1] == fitted.target.frame_count and fitted.target.is_steady:
        speed = "as long as it was"
    lines = [
        f"{report.file}: {bars} at quarter = {found.tempo_qpm(rate):.2f}, "
        f"from {found.start_frame / rate:.3f} s, {found.length_frames / rate:.3f} s long",
        f"fitted to {report.place} by {fitted.way.value}: "
        f"{fitted.target.frame_count} frames at {rate} Hz, {speed}",
    ]
    if len(fitted.errors_ms):
        sizes = percentiles(fitted.errors_ms)
        lines.append(
            f"{len(fitted.errors_ms)} of {len(fitted.hits)} hits found again: half within "
            f"{sizes['p50']:.2f} ms, 95 % within {sizes['p95']:.2f} ms, all within "
            f"{sizes['max']:.2f} ms"
        )
    lines.append(
        f"seam: a step of {fitted.seam_step:.4f}, the largest inside is {fitted.largest_step:.4f}"
    )
    if report.loudness is not None:
        lufs = report.loudness.lufs
        loud = "too soft or short to have a loudness" if lufs is None else f"{lufs:.1f} LUFS"
        lines.append(f"loudness: {loud}, true peak {report.loudness.true_peak_db:.1f} dB")
    if len(fitted.hits) and found.certainty < CLEAR:
        lines.append(
            "its hits lie on no clear grid: listen to it, and give --bars, --tempo or --from "
            "if it is wrong"
        )
    if report.written:
        lines.append(f"written: {report.written}, with loop points")
    return "\n".join(lines)


_INK, _WAVE, _HIT, _BAR, _BEAT = "#222222", "#7a93a8", "#b5541c", "#1b4f72", "#a9c2d4"
COLUMNS = 1800  # of the waveform


def draw(report: FitReport, whole: Sound, path: Path) -> None:
    """Waveform, hits and bar lines before and after; the file's ending says its format.

    whole: the source file at the report's rate. Raises UnreadableError.
    """
    try:
        from matplotlib.figure import Figure
    except ImportError:
        raise UnreadableError(
            "the picture needs matplotlib", hint="pip install 'syncbox[picture]'"
        ) from None
    fitted, rate, target = report.fitted, report.rate, report.fitted.target
    figure = Figure(figsize=(12.0, 5.6), layout="constrained")
    figure.suptitle(
        f"{Path(report.file).name} fitted to {report.place} by {fitted.way.value}",
        fontsize=11,
        color=_INK,
    )
    before, after = figure.subplots(2, 1)
    start, length = fitted.found.start_frame, fitted.found.length_frames
    part = length / target.ticks
    grid = [np.array(ticks) * part + start for ticks in (target.bar_ticks, target.beat_ticks)]
    hits = fitted.hits.frames + start
    _draw_one(before, whole, rate, bars=grid[0], beats=grid[1], hits=hits)
    before.axvspan(start / rate, (start + length) / rate, color="#eef3f7", zorder=0)
    tempo = fitted.found.tempo_qpm(rate)
    before.set_title(f"before: quarter = {tempo:.2f}, the loop shaded", fontsize=10, loc="left")
    grid = [
        target.frames_of(np.array(ticks, np.float64))
        for ticks in (target.bar_ticks, target.beat_ticks)
    ]
    _draw_one(after, fitted.sound, rate, bars=grid[0], beats=grid[1], hits=fitted.places)
    tempi = _tempi(target.knot_ticks, target.knot_frames, rate)
    after.set_title(
        f"after: {target.frame_count} frames, quarter = {tempi}", fontsize=10, loc="left"
    )
    after.set_xlabel("seconds; long lines are bars, short marks are hits")
    try:
        figure.savefig(path, dpi=110)
    except (OSError, ValueError) as error:
        raise UnreadableError(
            f"the picture could not be written: {error}", where=str(path)
        ) from None


def _tempi(ticks: Any, frames: Any, rate: int) -> str:
    """The tempo, or the first and the last of a tempo that moves."""
    slopes = np.diff(ticks) / TICKS_PER_QUARTER / (np.diff(frames) / rate / 60)
    first, last = f"{slopes[0]:.1f}", f"{slopes[-1]:.1f}"
    return first if first == last else f"{first} to {last}"


def _draw_one(axes: Any, sound: Sound, rate: int, *, bars: Any, beats: Any, hits: Any) -> None:
    count = sound.shape[1]
    step = max(1, count // COLUMNS)
    used = count // step * step
    columns = sound.mean(axis=0)[:used].reshape(-1, step)
    seconds = np.arange(columns.shape[0]) * step / rate
    axes.fill_between(seconds, columns.min(axis=1), columns.max(axis=1), color=_WAVE, linewidth=0)
    reach = float(np.abs(columns).max(initial=1e-6)) * 1.3
    axes.vlines(np.asarray(beats) / rate, -reach, reach, color=_BEAT, linewidth=0.7)
    axes.vlines(np.asarray(bars) / rate, -reach, reach, color=_BAR, linewidth=1.6)
    axes.vlines(np.asarray(hits) / rate, reach * 0.82, reach, color=_HIT, linewidth=1.4)
    axes.set_ylim(-reach, reach)
    axes.set_xlim(0, count / rate)
    axes.set_yticks([])
    axes.spines[["top", "right", "left"]].set_visible(False)
