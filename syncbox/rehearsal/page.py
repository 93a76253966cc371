"""A reading as one HTML file: no network, pictures inside, readable on a phone and in print."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape

from syncbox.rehearsal.belief import RIGHT_MS
from syncbox.rehearsal.picture import png_bytes
from syncbox.rehearsal.reading import TakeReading
from syncbox.rehearsal.thresholds import SCATTER_WORDS, SOURCES
from syncbox.rehearsal.wording import signed, summary

_STYLE = """
:root { color-scheme: light dark; --ink: #1c1c1c; --line: #ccc; --soft: #444; --page: #fff; }
@media screen and (prefers-color-scheme: dark) {
  :root { --ink: #e6e6e6; --line: #444; --soft: #b0b0b0; --page: #121212; }
  img { filter: invert(1) hue-rotate(180deg); }
}
body { font: 1.05rem/1.45 system-ui, sans-serif; color: var(--ink); background: var(--page);
  margin: 0 auto; max-width: 52rem; padding: 1rem; }
h1 { font-size: 1.5rem; margin: 0 0 .5rem; overflow-wrap: anywhere; }
h2 { font-size: 1.15rem; margin-top: 2rem; }
ul { padding-left: 1.2rem; }
img { width: 100%; height: auto; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th, td { text-align: right; padding: .3rem .4rem; border-bottom: 1px solid var(--line); }
td.words, th.words { text-align: left; }
footer { margin-top: 2rem; font-size: .85rem; color: var(--soft); }
@media screen and (max-width: 480px) {
  table { font-size: .85rem; } th, td { padding: .3rem .2rem; }
}
@media print {
  @page { margin: 14mm; }
  body { max-width: none; padding: 0; font-size: 10pt; }
  h2 { margin-top: 1rem; break-after: avoid; }
  img, tr, .whole, footer p { break-inside: avoid; }
  img { max-height: 105mm; width: auto; max-width: 100%; display: block; margin: auto; }
  th, td { padding: .08rem .3rem; font-size: 9pt; }
  .bars { columns: 2; column-gap: 10mm; }
}
"""

_COLUMNS = (
    "Late: played minus expected, early is below 0. Time: gained or lost over the section against "
    f"the map. Sure: the chance that a beat lies within {RIGHT_MS:.0f} ms of where it was played."
)


def as_html(found: TakeReading, title: str, take: str, extra: Sequence[str] = ()) -> str:
    """The report of one take; extra lines (players, proposals) go after the summary."""
    named = "" if take in title else f"<p>{escape(take)}</p>"
    parts = [f"<h1>{escape(_joined(title))}</h1>{named}", _list(summary(found)), _pictures(found)]
    if extra:
        parts += ["<h2>Players and proposals</h2>", _list(extra)]
    if found.found:
        parts.append(f'<div class="whole"><h2>Sections</h2>{_sections(found)}</div>')
        parts.append(f'<h2>Bars</h2><div class="bars">{_bars(found)}</div>')
    words = (f"Match {found.match:.2f}.", *((_COLUMNS, SCATTER_WORDS, *SOURCES) * found.found))
    notes = "".join(f"<p>{escape(_joined(each))}</p>" for each in words)
    parts.append(f"<footer>{notes}</footer>")
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>"
        f"<body>{''.join(parts)}</body></html>\n"
    )


def _list(lines: Iterable[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(_joined(line))}</li>' for line in lines)}</ul>"


def _pictures(found: TakeReading) -> str:
    """The picture, and for narrow screens a narrow one whose letters are as large."""
    if not found.found:
        return ""
    wide, narrow = (
        f"data:image/png;base64,{base64.b64encode(png_bytes(found, '', narrow=each)).decode()}"
        for each in (False, True)
    )
    return (
        f'<picture><source media="screen and (max-width: 600px)" srcset="{narrow}">'
        f'<img alt="Tempo and lateness over the bars" src="{wide}"></picture>'
    )


def _table(head: Sequence[str], rows: Iterable[Sequence[str]], words: int) -> str:
    """A table whose column number `words` is text; all others are numbers."""

    def row(cells: Sequence[str], kind: str) -> str:
        marked = (' class="words"' if n == words else "" for n in range(len(cells)))
        each = (
            f"<{kind}{mark}>{escape(_joined(cell))}</{kind}>"
            for mark, cell in zip(marked, cells, strict=True)
        )
        return f"<tr>{''.join(each)}</tr>"

    body = "".join(row(cells, "td") for cells in rows)
    return f"<table><thead>{row(head, 'th')}</thead><tbody>{body}</tbody></table>"


def _joined(cell: str) -> str:
    """A number never parted from its unit or its other end at the end of a line."""
    return cell.replace(" ms", "\u00a0ms").replace(" %", "\u00a0%").replace("–", "–\u2060")


def _gain(late_ms: float | None) -> str:
    if late_ms is None:
        return "cannot tell"
    return f"{abs(late_ms):.0f} ms {'lost' if late_ms > 0 else 'gained'}"


def _sections(found: TakeReading) -> str:
    head = ("section", "bars", "tempo", "time", "scatter", "sure")
    rows = (
        (
            row.section,
            f"{row.first_bar}\u2013{row.last_bar}",
            "cannot tell" if row.tempo_share is None else signed(row.tempo_share),
            _gain(row.late_ms),
            f"{row.scatter_ms:.0f} ms",
            f"{100 * row.confidence:.0f} %",
        )
        for row in found.sections
    )
    return _table(head, rows, words=0)


def _bars(found: TakeReading) -> str:
    head = ("bar", "section", "late", "tempo", "map", "sure")
    rows = (
        (
            str(row.bar),
            row.section,
            "cannot tell" if row.late_ms is None else f"{row.late_ms:+.0f} ms",
            "cannot tell" if row.tempo is None else f"{row.tempo:.1f}",
            f"{row.map_tempo:.1f}",
            f"{100 * row.confidence:.0f} %",
        )
        for row in found.bars
    )
    return _table(head, rows, words=1)
