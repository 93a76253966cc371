"""The errors of a measurement as a picture: how many of each size, and when they came."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from syncbox.errors import UnreadableError
from syncbox.lab.report import AUDIBLE_MS, JITTER_MS, Report, Series, judge
from syncbox.lab.statistics import Frames


@dataclass(frozen=True, slots=True)
class _Row:
    """What one pair of panels shows; ideal frames and errors in frames, shape (k,)."""

    name: str
    at: Frames
    errors: Frames
    colour: str


_INK, _CLICK, _CLOCK, _LIMIT = "#222222", "#1b6ca8", "#b5541c", "#8a1538"
_WIDTH_IN, _ROW_IN, _HEAD_IN = 11.0, 2.7, 1.4
_BINS_MAX = 81


def draw(found: Report, path: Path) -> None:
    """Write the picture; the file's ending says its format. Raises UnreadableError."""
    try:
        from matplotlib.figure import Figure
    except ImportError:
        raise UnreadableError(
            "the picture needs matplotlib", hint="pip install 'syncbox[picture]'"
        ) from None
    rows = _rows(found)
    figure = Figure(figsize=(_WIDTH_IN, _HEAD_IN + _ROW_IN * len(rows)), layout="constrained")
    setting = found.setting
    figure.suptitle(
        f"{setting.driver}, {setting.device}: {setting.rate} Hz, blocks of "
        f"{setting.block_frames} frames, {found.seconds:.0f} s\n{_wrapped(judge(found)[1])}",
        fontsize=11,
        color=_INK,
    )
    places = figure.subplots(len(rows), 2, width_ratios=(2, 3), squeeze=False)
    for (sizes, times), row in zip(places, rows, strict=True):
        _draw_sizes(sizes, row, setting.rate)
        _draw_times(times, row, setting.rate)
    try:
        figure.savefig(path, dpi=120)
    except (OSError, ValueError) as error:
        raise UnreadableError(
            f"the picture could not be written: {error}", where=str(path)
        ) from None


def _wrapped(text: str, width: int = 100) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, width))


def _rows(found: Report) -> list[_Row]:
    rows: list[_Row] = []

    def add(name: str, series: Series | None, colour: str) -> None:
        if series is not None and len(series.errors):
            rows.append(_Row(name, series.ideal, series.errors, colour))

    add("click against ideal", found.clicks, _CLICK)
    for number, series in enumerate(found.clocks, 1):
        add(f"clock against ideal, port {number}", series, _CLOCK)
    add("clock as heard", found.heard_clocks, _CLOCK)
    nothing = np.empty(0, dtype=np.int64)
    return rows or [_Row("nothing was captured", nothing, nothing, _INK)]


def _draw_sizes(sizes: Any, row: _Row, rate: int) -> None:
    """How often each error came."""
    errors_ms = row.errors * 1000 / rate
    sizes.hist(errors_ms, bins=_edges(row.errors) * 1000 / rate, color=row.colour)
    if len(row.errors):
        sizes.set_yscale("log")  # one event in a thousand must be seen
        sizes.set_ylim(bottom=0.5)
    sizes.set_title(f"{row.name}: {len(row.errors)} events", fontsize=10, loc="left")
    sizes.set_xlabel("error (ms), positive is late")
    sizes.set_ylabel("events")
    sizes.spines[["top", "right"]].set_visible(False)


def _draw_times(times: Any, row: _Row, rate: int) -> None:
    """Each error where it came, with the limits that are in reach."""
    errors_ms = row.errors * 1000 / rate
    times.plot(row.at / rate, errors_ms, ".", markersize=3, color=row.colour)
    reach = max(1.2 * JITTER_MS, 1.15 * float(np.abs(errors_ms).max(initial=0.0)))
    times.set_ylim(-reach, reach)
    for limit, words in ((JITTER_MS, "target"), (AUDIBLE_MS, "listeners begin to hear")):
        if limit < reach:
            for side in (-limit, limit):
                times.axhline(side, color=_LIMIT, linewidth=0.8, linestyle="--")
            times.annotate(
                f"{limit:.0f} ms: {words}",
                (0.995, limit),
                xycoords=("axes fraction", "data"),
                ha="right",
                va="bottom",
                fontsize=8,
                color=_LIMIT,
            )
    times.set_xlabel("seconds from the first downbeat")
    times.set_ylabel("error (ms)")
    times.spines[["top", "right"]].set_visible(False)


def _edges(errors: Frames) -> NDArray[np.float64]:
    """Edges of the histogram's bars in frames: whole frames wide, zero in a middle."""
    reach = max(10, int(np.abs(errors).max(initial=0)))
    step = -(-(2 * reach + 1) // _BINS_MAX)
    half = reach // step + 1
    return np.asarray((np.arange(-half, half + 2) - 0.5) * step, dtype=np.float64)
