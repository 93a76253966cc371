"""A reading as one HTML file: no network, pictures inside, readable on a phone and in print."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape

from syncbox.rehearsal.picture import png_bytes
from syncbox.rehearsal.reading import TakeReading
from syncbox.rehearsal.thresholds import SOURCES
from syncbox.rehearsal.wording import summary

_STYLE = """
:root { color-scheme: light; }
body { font: 1.05rem/1.45 system-ui, sans-serif; color: #1c1c1c; background: #fff;
  margin: 0 auto; max-width: 52rem; padding: 1rem; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin-top: 2rem; }
img { width: 100%; height: auto; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th, td { text-align: right; padding: .3rem .4rem; border-bottom: 1px solid #ccc; }
th:first-child, td:first-child { text-align: left; }
.wide { overflow-x: auto; }
footer { margin-top: 2rem; font-size: .85rem; color: #444; }
@media print { body { max-width: none; font-size: 10pt; } h2, img { break-inside: avoid; } }
"""


def as_html(found: TakeReading, title: str, take: str, extra: Sequence[str] = ()) -> str:
    """The report of one take; extra lines (players, proposals) go after the summary."""
    picture = base64.b64encode(png_bytes(found, title)).decode()
    parts = [
        f"<h1>{escape(title)}</h1><p>{escape(take)}</p>",
        _list(summary(found)),
        f'<img alt="Tempo and lateness over the bars" src="data:image/png;base64,{picture}">',
    ]
    if extra:
        parts.append(_list(extra))
    if found.found:
        parts += ["<h2>Sections</h2>", _sections(found), "<h2>Bars</h2>", _bars(found)]
    sources = "".join(f"<p>{escape(source)}</p>" for source in SOURCES)
    parts.append(f"<footer><p>Match {found.match:.2f}. What the words mean:</p>{sources}</footer>")
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>"
        f"<body>{''.join(parts)}</body></html>\n"
    )


def _list(lines: Iterable[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    top = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    body = "".join(
        f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows
    )
    return f'<div class="wide"><table><tr>{top}</tr>{body}</table></div>'


def _sections(found: TakeReading) -> str:
    head = ("section", "bars", "tempo", "gained or lost", "scatter", "sure")
    rows = (
        (
            row.section,
            f"{row.first_bar} to {row.last_bar}",
            "cannot tell" if row.tempo_share is None else f"{100 * row.tempo_share:+.1f} %",
            "cannot tell" if row.late_ms is None else f"{row.late_ms:+.0f} ms",
            f"{row.scatter_ms:.0f} ms",
            f"{row.confidence:.0%}",
        )
        for row in found.sections
    )
    return _table(head, rows)


def _bars(found: TakeReading) -> str:
    head = ("bar", "section", "late", "tempo", "map", "sure")
    rows = (
        (
            str(row.bar),
            row.section,
            "cannot tell" if row.late_ms is None else f"{row.late_ms:+.0f} ms",
            "cannot tell" if row.tempo is None else f"{row.tempo:.1f}",
            f"{row.map_tempo:.1f}",
            f"{row.confidence:.0%}",
        )
        for row in found.bars
    )
    return _table(head, rows)
