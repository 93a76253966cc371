"""The stage screen against pictures of it in text, and the rules that hold at every size.

After a wanted change: SYNCBOX_NEW_SCREENS=1 python -m pytest tests/cli/test_screen.py, then look.
"""

import colorsys
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stage_views import ROLLING

from syncbox.cli.screen import (
    ALARM,
    ATTENTION,
    BASE,
    DIM,
    GOOD,
    GROUND,
    STRONG,
    Health,
    screen,
)

PICTURES = Path(__file__).parent / "screens"


VAMPING = replace(
    ROLLING,
    state="vamp: waits for the cue",
    waits=True,
    section="Solo",
    bar=2,
    bars=8,
    beat=1,
    beats=3,
    bars_to_go=None,
    meter="7/8 as 2+2+3",
    detail="round 3",
    text_cue="",
    notice="the cue counts from the next round",
    ports=(Health("synths", "ok"),),
)
LAST = replace(ROLLING, next_section="", next_patches=(), section="Ende für alle", ports=())

CASES = [
    ("rolling", ROLLING, 80, 24),
    ("rolling", ROLLING, 120, 36),
    ("rolling", ROLLING, 60, 14),
    ("rolling", ROLLING, 30, 4),
    ("vamping", VAMPING, 80, 24),
    ("last", LAST, 80, 24),
]


@pytest.mark.parametrize(("name", "view", "width", "height"), CASES)
def test_screen_looks_as_in_its_picture(name, view, width, height):
    shown = "".join(line.plain.rstrip() + "\n" for line in screen(view, width, height))
    picture = PICTURES / f"{name}-{width}x{height}.txt"
    if os.environ.get("SYNCBOX_NEW_SCREENS"):
        picture.write_text(shown, encoding="utf-8")
    assert shown == picture.read_text(encoding="utf-8")


@given(st.integers(1, 200), st.integers(1, 70), st.sampled_from([ROLLING, VAMPING, LAST]))
def test_every_size_is_filled_exactly(width, height, view):
    lines = screen(view, width, height)
    assert len(lines) == height
    assert {line.cell_len for line in lines} == {width}


@given(st.text(min_size=1, max_size=60), st.integers(20, 120), st.integers(3, 50))
def test_any_name_keeps_the_layout(name, width, height):
    view = replace(ROLLING, section=name, next_section=name, song=name)
    assert {line.cell_len for line in screen(view, width, height)} == {width}


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 36), (200, 60)])
def test_nothing_moves_when_a_section_has_a_longer_name(width, height):
    def row_of(view, words):
        lines = screen(view, width, height)
        return next(row for row, line in enumerate(lines) if words in line.plain)

    longer = replace(ROLLING, section="Instrumental bridge in seven", bar=4, bars_to_go=10)
    for words in ("BAR of 14", "NEXT", "AUDIO", "MIDI"):
        assert row_of(ROLLING, words) == row_of(longer, words)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 36), (200, 60)])
def test_a_beat_changes_a_small_part_of_the_screen(width, height):
    # WCAG 2.x SC 2.3.1: a flash counts from a quarter of a 341 x 256 pixel area on a 1024 x 768
    # screen, 2.8 % of it, and needs an opposing pair of changes; here ink of one brightness moves.
    one, two = (screen(replace(ROLLING, beat=beat), width, height) for beat in (1, 2))
    changed = sum(
        a != b
        for before, after in zip(one, two, strict=True)
        for a, b in zip(before.plain, after.plain, strict=True)
    )
    assert 2 <= changed <= 0.028 * width * height


def test_trouble_is_said_in_words_and_comes_first():
    line = next(line.plain for line in screen(ROLLING, 80, 24) if line.plain.startswith("MIDI"))
    assert line.index("drums missing") < line.index("synths ok")


@pytest.mark.parametrize("width", [40, 60, 80, 200])
def test_a_notice_is_never_left_out(width):
    assert any(VAMPING.notice in line.plain for line in screen(VAMPING, width, 24))


def test_every_key_is_on_the_screen_of_an_ordinary_terminal():
    shown = "\n".join(line.plain for line in screen(ROLLING, 80, 24))
    for hint in ROLLING.keys:
        assert f"{hint.key} {hint.does}" in shown


def luminance(colour):
    """Relative luminance of #rrggbb: WCAG 2.x, definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def ink(style):
    return next(part for part in style.split() if part.startswith("#"))


PAGE = Health("page", "http://192.168.1.20:8260   code 471 028   3 looking")


@pytest.mark.parametrize(("width", "height"), [(80, 24), (80, 30), (120, 36), (60, 14), (30, 4)])
def test_the_page_takes_a_spare_row_and_pushes_nothing_away(width, height):
    plain = [line.plain for line in screen(ROLLING, width, height)]
    paged = [line.plain for line in screen(replace(ROLLING, page=PAGE), width, height)]
    assert len(paged) == height
    gone = [line for line in plain if line.strip() and line not in paged]
    # Where no row is spare it stands beside the ports, if it finds room there.
    assert all(line.startswith("MIDI") for line in gone)
    if height > 24:
        assert sum(PAGE.words in line for line in paged) == 1
        assert not gone


def test_a_page_that_is_not_served_is_said_as_trouble():
    trouble = Health("page", "the page has died: it is started anew", well=False)
    lines = screen(replace(ROLLING, page=trouble), 120, 36)
    (line,) = (line for line in lines if trouble.words in line.plain)
    assert any(str(span.style) == ALARM for span in line.spans)


@pytest.mark.parametrize("style", [BASE, DIM, STRONG, GOOD, ATTENTION, ALARM])
def test_every_ink_can_be_read_and_none_glares(style):
    # WCAG 2.x SC 1.4.3: 4.5 to 1 for text.
    contrast = (luminance(ink(style)) + 0.05) / (luminance(GROUND) + 0.05)
    assert contrast >= 4.5
    assert luminance(ink(style)) < 0.80, "no paper white in the dark"


@pytest.mark.parametrize("style", [BASE, DIM, STRONG])
def test_what_stays_on_screen_is_warm(style):
    # Little blue disturbs eyes used to the dark least (common practice, no source).
    red, _, blue = (int(ink(style)[i : i + 2], 16) for i in (1, 3, 5))
    hue, _, _ = colorsys.rgb_to_hsv(*(int(ink(style)[i : i + 2], 16) for i in (1, 3, 5)))
    assert red > blue
    assert hue < 1 / 6
