"""A reading as JSON and CSV. Numbers are rounded once, here."""

from __future__ import annotations

import csv
import io
from typing import Any

from syncbox.rehearsal.reading import SlipRow, TakeReading
from syncbox.rehearsal.wording import summary


def as_json(found: TakeReading) -> dict[str, Any]:
    """The reading as plain data; a null says that the sound cannot tell."""
    return {
        "song": found.song,
        "match": round(found.match, 3),
        "found": found.found,
        "song_sure": found.song_sure,
        "more_like": found.more_like or None,
        "place_sure": found.found and not found.place_guessed,
        "other_begins": list(found.other_begins),
        "latency_ms": _round(found.latency_ms, 2),
        "with_click": found.with_click,
        "duration_s": round(found.duration_s, 3),
        "beats": [
            {
                "bar": beat.bar,
                "beat": beat.beat,
                "expected_s": round(beat.expected_s, 4),
                "played_s": round(beat.played_s, 4),
                "late_ms": round(beat.late_ms, 1),
                "late_smooth_ms": round(beat.smooth_ms, 1),
                "confidence": round(beat.confidence, 3),
            }
            for beat in found.beats
        ],
        "bars": [
            {
                "bar": bar.bar,
                "section": bar.section,
                "late_ms": _round(bar.late_ms, 1),
                "tempo": _round(bar.tempo, 2),
                "map_tempo": round(bar.map_tempo, 2),
                "confidence": round(bar.confidence, 3),
            }
            for bar in found.bars
        ],
        "sections": [
            {
                "section": row.section,
                "pass": row.pass_no,
                "first_bar": row.first_bar,
                "last_bar": row.last_bar,
                "start_s": round(row.start_s, 3),
                "late_ms": _round(row.late_ms, 1),
                "scatter_ms": round(row.scatter_ms, 1),
                "tempo_percent": None
                if row.tempo_share is None
                else round(100 * row.tempo_share, 2),
                "confidence": round(row.confidence, 3),
            }
            for row in found.sections
        ],
        "missing_bars": [bar for row in found.missing_bars for bar in row.bars],
        "extra_bars": [bar for row in found.extra_bars for bar in row.bars],
        "missing_ranges": [_slip(row) for row in found.missing_bars],
        "extra_ranges": [_slip(row) for row in found.extra_bars],
        "summary": summary(found),
    }


def _slip(row: SlipRow) -> dict[str, Any]:
    """Where a slip may have been: `bars` is the likeliest place, from_bar to to_bar are alike."""
    return {
        "section": row.section,
        "bars": list(row.bars),
        "from_bar": row.from_bar,
        "to_bar": row.to_bar,
        "certain": row.certain,
    }


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


CSV_COLUMNS = (
    "bar", "beat", "expected_s", "played_s", "late_ms", "late_smooth_ms", "confidence",
)  # fmt: skip


def as_csv(found: TakeReading) -> str:
    """Every beat as a line of comma-separated values with a head line."""
    out = io.StringIO()
    writer = csv.DictWriter(out, CSV_COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(as_json(found)["beats"])
    return out.getvalue()
