"""The picture in the README is the real screen."""

import importlib.util
from pathlib import Path
from xml.etree import ElementTree

from syncbox.cli.screen import screen

ROOT = Path(__file__).parents[2]


def tool():
    spec = importlib.util.spec_from_file_location(
        "picture_of_screen", ROOT / "tools" / "picture_of_screen.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_picture_is_current():
    drawn = tool().svg(screen(tool().EXAMPLE, 80, 24), 80)
    kept = (ROOT / ".github" / "screen.svg").read_text("utf-8")
    assert kept == drawn, "run tools/picture_of_screen.py .github/screen.svg"


def test_the_picture_asks_for_nothing_from_elsewhere():
    kept = (ROOT / ".github" / "screen.svg").read_text("utf-8")
    ElementTree.fromstring(kept)
    assert "url(" not in kept
    assert "href" not in kept
