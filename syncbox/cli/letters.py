"""Letters large enough to read from two metres, drawn with half blocks.

The face is our own: capitals and figures five pixels high on a grid of square
pixels, one column wide and half a row high. All figures have one width, so
that a counting number does not dance.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache

HEIGHT_PIXELS = 5
GAP_PIXELS = 1
CUT_SIGN = "…"

# One glyph a line: its five rows from the top, '#' is ink.
_DRAWN = """
A .##. #..# #### #..# #..#
B ###. #..# ###. #..# ###.
C .### #... #... #... .###
D ###. #..# #..# #..# ###.
E #### #... ###. #... ####
F #### #... ###. #... #...
G .### #... #.## #..# .###
H #..# #..# #### #..# #..#
I ### .#. .#. .#. ###
J ..## ...# ...# #..# .##.
K #..# #.#. ##.. #.#. #..#
L #... #... #... #... ####
M #...# ##.## #.#.# #...# #...#
N #..# ##.# #.## #..# #..#
O .##. #..# #..# #..# .##.
P ###. #..# ###. #... #...
Q .##. #..# #..# #.## .###
R ###. #..# ###. #.#. #..#
S .### #... .##. ...# ###.
T ##### ..#.. ..#.. ..#.. ..#..
U #..# #..# #..# #..# .##.
V #...# #...# .#.#. .#.#. ..#..
W #...# #...# #.#.# ##.## #...#
X #...# .#.#. ..#.. .#.#. #...#
Y #...# .#.#. ..#.. ..#.. ..#..
Z #### ...# .##. #... ####
0 .##. #..# #..# #..# .##.
1 ..#. .##. ..#. ..#. .###
2 ###. ...# .##. #... ####
3 ###. ...# .##. ...# ###.
4 #..# #..# #### ...# ...#
5 #### #... ###. ...# ###.
6 .##. #... ###. #..# .##.
7 #### ...# ..#. .#.. .#..
8 .##. #..# .##. #..# .##.
9 .##. #..# .### ...# .##.
- ... ... ### ... ...
+ ... .#. ### .#. ...
. . . . . #
, .. .. .. .# #.
: . # . # .
' # # . . .
/ ...# ..#. ..#. .#.. #...
( .# #. #. #. .#
) #. .# .# .# #.
& .#.. #.#. .#.# #.#. .#.#
! # # # . #
? ##. ..# .#. ... .#.
# .#.#. ##### .#.#. ##### .#.#.
… ..... ..... ..... ..... #.#.#
"""

GLYPHS: dict[str, tuple[str, ...]] = {
    line[0]: tuple(line[2:].split(" ")) for line in _DRAWN.strip().splitlines()
}
GLYPHS[" "] = ("..",) * HEIGHT_PIXELS
assert all(len(rows) == HEIGHT_PIXELS for rows in GLYPHS.values())
assert all(len(set(map(len, rows))) == 1 for rows in GLYPHS.values())

_BLOCKS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def drawable(text: str) -> str | None:
    """The text in this face's letters, accents left off; None if it has not all of them."""
    apart = unicodedata.normalize("NFKD", text.replace("’", "'").replace("–", "-"))
    plain = "".join(sign for sign in apart if not unicodedata.combining(sign)).upper()
    return plain if all(sign in GLYPHS for sign in plain) else None


def width_columns(text: str, scale: int) -> int:
    """Columns that `big` needs for drawable text."""
    pixels = sum(len(GLYPHS[sign][0]) for sign in text) + GAP_PIXELS * max(len(text) - 1, 0)
    return pixels * scale


def height_rows(scale: int) -> int:
    """Rows that `big` gives at a scale."""
    return (HEIGHT_PIXELS * scale + 1) // 2


@lru_cache(maxsize=256)
def big(text: str, scale: int) -> tuple[str, ...]:
    """Drawable text as `height_rows(scale)` lines, each `width_columns(text, scale)` wide."""
    pixel_rows = []
    for row in range(HEIGHT_PIXELS):
        thin = ("." * GAP_PIXELS).join(GLYPHS[sign][row] for sign in text)
        wide = "".join(pixel * scale for pixel in thin)
        pixel_rows += [wide] * scale
    if len(pixel_rows) % 2:
        pixel_rows.append("." * len(pixel_rows[0]))
    return tuple(
        "".join(
            _BLOCKS[upper == "#", lower == "#"] for upper, lower in zip(above, below, strict=True)
        )
        for above, below in zip(pixel_rows[::2], pixel_rows[1::2], strict=True)
    )


def fit(text: str, width: int, scale_max: int) -> tuple[str, int] | None:
    """The text, cut if need be, and the largest scale up to `scale_max` that fits the width.

    None where the face cannot draw it or nothing useful fits; the caller then writes it plainly.
    """
    plain = drawable(text)
    if not plain:
        return None
    for scale in range(scale_max, 0, -1):
        if width_columns(plain, scale) <= width:
            return plain, scale
    for length in range(len(plain) - 1, 3, -1):
        cut = plain[:length].rstrip() + CUT_SIGN
        if width_columns(cut, 1) <= width:
            return cut, 1
    return None
