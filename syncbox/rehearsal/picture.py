"""A reading as a picture: tempo over the bars with the map under it, lateness per bar."""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

from syncbox.errors import UnreadableError
from syncbox.rehearsal.reading import TakeReading
from syncbox.rehearsal.thresholds import TIGHT_MS

_INK, _MAP, _PLAYED, _SLIP, _SHADE = "#222222", "#7a7a7a", "#0b6e4f", "#a3195b", "#eef1ee"
_SIZE_IN, _DPI = (8.0, 7.0), 150  # 1200 pixels: sharp on a phone held sideways
_NARROW_IN = (4.4, 5.6)  # for a phone held upright


def draw(found: TakeReading, title: str, path: Path) -> None:
    """Write the picture; the file's ending says its format. Raises UnreadableError."""
    figure = _figure(found, title)
    try:
        with _any_letters():
            figure.savefig(path, dpi=_DPI)
    except (OSError, ValueError) as error:
        raise UnreadableError(
            f"the picture could not be written: {getattr(error, 'strerror', None) or error}",
            where=str(path),
        ) from None


def png_bytes(found: TakeReading, title: str, *, narrow: bool = False) -> bytes:
    """The picture as PNG; narrow: for a phone held upright."""
    out = io.BytesIO()
    with _any_letters():
        _figure(found, title, narrow=narrow).savefig(out, dpi=_DPI, format="png")
    return out.getvalue()


@contextmanager
def _any_letters() -> Iterator[None]:
    """A letter that the font lacks is drawn as a box, and costs nobody the picture."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


def _literal(words: str) -> str:
    """Words in which a dollar sign begins no formula."""
    return words.replace("$", r"\$")


def _figure(found: TakeReading, title: str, *, narrow: bool = False) -> Any:
    try:
        from matplotlib.figure import Figure
    except ImportError:
        raise UnreadableError(
            "the picture needs matplotlib", hint="pip install 'syncbox[picture]'"
        ) from None
    figure = Figure(figsize=_NARROW_IN if narrow else _SIZE_IN, layout="constrained")
    if title:
        figure.suptitle(_literal(title), fontsize=13, color=_INK, wrap=True)
    if not found.found:
        words = _literal("\n".join(found.notes) or "nothing of this song was found")
        figure.text(0.5, 0.5, words, ha="center", va="center", fontsize=14, wrap=True)
        return figure
    tempo, late = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    _draw_tempo(tempo, found)
    _draw_late(late, found)
    for panel in (tempo, late):
        _draw_sections(panel, found, named=panel is tempo, upright=5 if not narrow else 12)
        panel.spines[["top", "right"]].set_visible(False)
        panel.tick_params(labelsize=11)
    late.set_xlabel("bar as played", fontsize=12)
    numbers = [bar.bar for bar in found.bars]
    step = 4 * math.ceil(len(numbers) / (24 if narrow else 48))
    ticks = [n for n, bar in enumerate(numbers) if bar > 0 and (bar - 1) % step == 0]
    late.set_xticks(ticks, [str(numbers[n]) for n in ticks])
    late.set_xlim(-0.7, len(numbers) - 0.3)
    return figure


def _draw_tempo(panel: Any, found: TakeReading) -> None:
    places = range(len(found.bars))
    panel.step(
        places,
        [bar.map_tempo for bar in found.bars],
        where="mid",
        color=_MAP,
        linewidth=2.2,
        label="the map",
    )
    played = [math.nan if bar.tempo is None else bar.tempo for bar in found.bars]
    panel.plot(places, played, "o-", color=_PLAYED, linewidth=1.8, markersize=4, label="the take")
    panel.set_ylabel("tempo (quarters a minute)", fontsize=12)
    panel.margins(y=0.18)
    panel.legend(loc="lower right", fontsize=10, frameon=False, ncols=2)


def _draw_late(panel: Any, found: TakeReading) -> None:
    late = [math.nan if bar.late_ms is None else bar.late_ms for bar in found.bars]
    known = [abs(value) for value in late if not math.isnan(value)]
    in_s = max(known, default=0.0) > 1000
    panel.bar(range(len(late)), [v / 1000 if in_s else v for v in late], color=_PLAYED, width=0.8)
    panel.axhline(0, color=_INK, linewidth=0.8)
    if not in_s:
        reach = max(1.3 * TIGHT_MS, 1.15 * max(known, default=0.0))
        panel.set_ylim(-reach, reach)
    if not in_s and found.with_click:  # how late a free take gets says nothing of tightness
        for side in (-TIGHT_MS, TIGHT_MS):
            panel.axhline(side, color=_MAP, linewidth=0.9, linestyle="--")
        panel.text(
            0.995,
            TIGHT_MS,
            f"tight: {TIGHT_MS:.0f} ms",
            transform=panel.get_yaxis_transform(),
            fontsize=9,
            ha="right",
            va="bottom",
            color=_INK,
        )
    panel.set_ylabel(f"late ({'s' if in_s else 'ms'})\nearly is below 0", fontsize=12)


def _draw_sections(panel: Any, found: TakeReading, *, named: bool, upright: int) -> None:
    """Every second section shaded, names above, slips marked at their bar lines.

    A name over no more than `upright` bars stands upright; in little room the count-in has none.
    """
    starts = _starts(found)
    for n, (first, end) in enumerate(zip(starts, [*starts[1:], len(found.bars)], strict=True)):
        if n % 2 == 0:
            panel.axvspan(first - 0.5, end - 0.5, color=_SHADE, zorder=0, linewidth=0)
        if named and end - first > upright // 12:
            panel.text(
                first - 0.3,
                0.985,
                _literal(found.bars[first].section),
                transform=panel.get_xaxis_transform(),
                fontsize=10,
                va="top",
                rotation=0 if end - first > upright else 90,
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 1},
                color=_INK,
            )
    music = [(n, bar.bar) for n, bar in enumerate(found.bars) if bar.bar > 0]  # no count-ins
    for (_, before), (n, bar) in pairwise(music):
        if bar not in (before, before + 1):
            panel.axvline(n - 0.5, color=_SLIP, linewidth=2)
            if named:
                words = "again" if bar <= before else "left out"
                panel.text(
                    n - 0.35,
                    0.1,  # above the key to the lines
                    words,
                    transform=panel.get_xaxis_transform(),
                    fontsize=10,
                    rotation=90,
                    va="bottom",
                    color=_SLIP,
                )


def _starts(found: TakeReading) -> list[int]:
    """Rows at which a section, a further pass of it or what opens a song begins."""
    passes = {
        now.first_row
        for before, now in pairwise(found.sections)
        if (now.section, now.pass_no) != (before.section, before.pass_no)
    }
    bars = found.bars
    return [
        n
        for n, bar in enumerate(bars)
        if n == 0 or n in passes or bar.section != bars[n - 1].section
    ]
