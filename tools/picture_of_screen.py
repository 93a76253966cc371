"""Draw the stage screen as an SVG: tools/picture_of_screen.py .github/screen.svg

Block characters become rectangles, so that the picture looks the same whatever font a viewer has.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby
from pathlib import Path
from xml.sax.saxutils import escape

from rich.color import Color
from rich.console import Console
from rich.segment import Segment
from rich.style import Style
from rich.text import Text

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from stage_views import ROLLING

from syncbox.cli.screen import GROUND, screen
from syncbox.cli.view import KEY_HINTS

CELL_WIDTH, CELL_HEIGHT = 9, 18
MARGIN = 12
FONT = "ui-monospace, 'DejaVu Sans Mono', Menlo, Consolas, monospace"
# Parts of a cell that each block character fills: x, y, width, height.
BLOCKS = {
    "█": (0, 0, CELL_WIDTH, CELL_HEIGHT),
    "▀": (0, 0, CELL_WIDTH, CELL_HEIGHT / 2),
    "▄": (0, CELL_HEIGHT / 2, CELL_WIDTH, CELL_HEIGHT / 2),
}

EXAMPLE = replace(
    ROLLING,
    state="playing",
    bar=6,
    beat=2,
    beats=3,
    bars_to_go=9,
    tempo="96",
    meter="7/8 as 2+2+3",
    text_cue="Watch the drummer",
    next_section="Chorus",
    next_patches=("organ Full", "lead-synth 3/17"),
    keys=KEY_HINTS,
)


def colour_of(style: Style | None) -> str:
    """The ink of a style as #rrggbb."""
    ink = style.color if style and style.color else Color.parse("#ffffff")
    return ink.get_truecolor().hex


def shapes(row: int, segments: Sequence[Segment]) -> Iterator[str]:
    """SVG elements of one line."""
    column, top = 0, row * CELL_HEIGHT
    for segment in segments:
        colour = colour_of(segment.style)
        bold = ' font-weight="bold"' if segment.style and segment.style.bold else ""
        for sign, run in groupby(segment.text, key=lambda sign: sign if sign in BLOCKS else ""):
            text = "".join(run)
            left = column * CELL_WIDTH
            column += len(text)
            if sign:
                x, y, _, height = BLOCKS[sign]
                width = len(text) * CELL_WIDTH
                yield (
                    f'<rect x="{left + x}" y="{top + y:g}" width="{width}" '
                    f'height="{height:g}" fill="{colour}"/>'
                )
            elif text.strip():
                skipped = len(text) - len(text.lstrip())
                words = text.strip()
                yield (
                    f'<text x="{left + skipped * CELL_WIDTH}" y="{top + CELL_HEIGHT - 4}" '
                    f'textLength="{len(words) * CELL_WIDTH}" fill="{colour}"{bold}>'
                    f"{escape(words)}</text>"
                )


def svg(lines: Sequence[Text], width: int) -> str:
    """A picture of lines that are `width` columns wide."""
    console = Console(width=width, color_system="truecolor", force_terminal=True)
    size_x = width * CELL_WIDTH + 2 * MARGIN
    size_y = len(lines) * CELL_HEIGHT + 2 * MARGIN
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size_x} {size_y}" '
        f'width="{size_x}" height="{size_y}" font-family="{FONT}" font-size="15" '
        'shape-rendering="crispEdges" xml:space="preserve">',
        f'<rect width="{size_x}" height="{size_y}" rx="6" fill="{GROUND}"/>',
        f'<g transform="translate({MARGIN} {MARGIN})">',
    ]
    for row, line in enumerate(lines):
        parts.extend(shapes(row, list(line.render(console))))
    return "\n".join([*parts, "</g>", "</svg>", ""])


def main(target: str) -> None:
    Path(target).write_text(svg(screen(EXAMPLE, 80, 24), 80), encoding="utf-8")
    print(f"wrote {target}")


if __name__ == "__main__":
    main(sys.argv[1])
