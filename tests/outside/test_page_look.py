"""The page's colours and its beat mark against WCAG 2.x (W3C).

Contrast: relative luminance and (L1 + 0.05) / (L2 + 0.05), with 4.5:1 for text (1.4.3, AA) and
3:1 for the edges of what can be pressed (1.4.11). Flashes: 2.3.1, where a pair of changes counts
as a general flash from 10 % of the maximum relative luminance on, if the darker is below 0.80.
The definitions are written down here from memory.
"""

from __future__ import annotations

import re
from importlib import resources

import pytest

from syncbox.cli import screen

CSS = (resources.files("syncbox.stage") / "page" / "stage.css").read_text("utf-8")
COLOURS = dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6});", CSS))
TEXT = ("base", "dim", "strong", "good", "warm", "alarm")
FLASH = 0.10


def luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_arithmetic_gives_the_known_values() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    # The darkest grey on white that passes 4.5:1 is #767676 (widely known, from memory).
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("ground", ["ground", "raised"])
@pytest.mark.parametrize("name", TEXT)
def test_all_text_can_be_read(name: str, ground: str) -> None:
    assert contrast(COLOURS[name], COLOURS[ground]) >= 4.5


def test_what_is_pressed_has_an_edge_and_letters_that_are_seen() -> None:
    assert contrast(COLOURS["edge"], COLOURS["ground"]) >= 3
    assert contrast(COLOURS["ground"], COLOURS["warm"]) >= 4.5  # a button that asks


def test_the_beat_mark_is_no_flash_at_any_tempo() -> None:
    changes = abs(luminance(COLOURS["mark-on"]) - luminance(COLOURS["mark"]))
    assert changes < FLASH


def test_nothing_else_moves_by_itself() -> None:
    assert not re.search(r"@keyframes|animation:(?! none)|transition:(?! none)", CSS)
    assert "prefers-reduced-motion: reduce" in CSS


def test_every_colour_is_named_once_and_is_one_of_the_screens_or_a_dark_grey() -> None:
    body = CSS.split("}", 1)[1]
    assert not re.search(
        r"#[0-9a-fA-F]{3,8}\b(?![^{]*\{)|rgb|hsl", re.sub(r"#[\w-]+[^{};]*\{", "{", body)
    )
    styles = (screen.BASE, screen.DIM, screen.STRONG, screen.GOOD, screen.ATTENTION, screen.ALARM)
    known = {colour for style in styles for colour in re.findall(r"#[0-9a-f]{6}", style)}
    assert {COLOURS[name] for name in (*TEXT, "ground")} == known
