"""The drawing in DEVELOPERS.md is the table in engine/transport.py."""

import importlib.util
from pathlib import Path

from syncbox.engine.transport import NEXT_STATE

TOOL = Path(__file__).parents[2] / "tools" / "draw_transport.py"


def tool():
    spec = importlib.util.spec_from_file_location("draw_transport", TOOL)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_drawing_is_current():
    text = tool().DOCUMENT.read_text(encoding="utf-8")
    assert text == tool().drawn_into(text), "run tools/draw_transport.py"


def test_every_pair_of_the_table_is_drawn():
    drawn = tool().drawing()
    for (state, trigger), target in NEXT_STATE.items():
        (line,) = (
            line
            for line in drawn.splitlines()
            if line.strip().startswith(f"{state.name} --> {target.name}:")
        )
        assert trigger.name.lower().replace("_", " ") in line.lower()
