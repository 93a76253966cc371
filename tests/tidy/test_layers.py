"""Imports point one way, so that the pure core can be read, tested and trusted alone."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "syncbox"
MODULES = sorted(PACKAGE.rglob("*.py"))

# From the ground up. A module may import its own layer and what lies below it. The longest
# prefix counts: what a message's bytes are is pure knowledge that the schedule builds on.
LAYERS = (
    ("syncbox", "syncbox.units", "syncbox.errors"),
    ("syncbox.score",),
    ("syncbox.midi.messages", "syncbox.midi.panel", "syncbox.midi.timecode", "syncbox.midi.wire"),
    ("syncbox.schedule",),
    ("syncbox.midi", "syncbox.audio"),
    ("syncbox.checking",),
    ("syncbox.engine",),
    ("syncbox.drivers",),
    ("syncbox.pack", "syncbox.lab", "syncbox.rehearsal", "syncbox.guide"),
    ("syncbox.stage",),
    ("syncbox.cli", "syncbox.__main__"),
)
RANK_OF = {name: rank for rank, names in enumerate(LAYERS) for name in names}

# The pure core knows no clock, thread, device, process or network.
PURE = ("syncbox.units", "syncbox.errors", "syncbox.score", "syncbox.schedule")
IMPURE_LIBRARIES = {
    "asyncio",
    "datetime",
    "jack",
    "mido",
    "multiprocessing",
    "queue",
    "random",
    "rtmidi",
    "select",
    "signal",
    "socket",
    "sounddevice",
    "soundfile",
    "subprocess",
    "threading",
    "time",
}


def name_of(path):
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_of(path):
    """(line, dotted name) of everything that a module imports, at the top or inside a function."""
    known = {name_of(module) for module in MODULES}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: write the whole name"
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield node.lineno, inner if inner in known else node.module


def rank(module):
    """The layer of a module by its longest prefix."""
    parts = module.split(".")
    for length in range(len(parts), 0, -1):
        prefix = ".".join(parts[:length])
        if prefix in RANK_OF and (length > 1 or len(parts) == 1):
            return RANK_OF[prefix]
    raise AssertionError(f"{module} belongs to no layer: name one in {__file__}")


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_imports_point_to_the_ground(path):
    own = rank(name_of(path))
    wrong = [
        f"{path}:{line}: imports {module}"
        for line, module in imports_of(path)
        if module.split(".")[0] == "syncbox" and rank(module) > own
    ]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("path", [m for m in MODULES if name_of(m).startswith(PURE)], ids=name_of)
def test_the_core_knows_no_clock_device_or_thread(path):
    wrong = [
        f"{path}:{line}: imports {module}"
        for line, module in imports_of(path)
        if module.split(".")[0] in IMPURE_LIBRARIES
    ]
    assert not wrong, "\n".join(wrong)


def test_a_wrong_import_would_be_found():
    assert rank("syncbox.engine.render") > rank("syncbox.schedule.compile")
    assert rank("syncbox.midi.ports") > rank("syncbox.midi.wire")
    assert rank("syncbox.checking.wires") > rank("syncbox.score.song")
    found = dict.fromkeys(module for _, module in imports_of(PACKAGE / "cli" / "main.py"))
    assert "syncbox.errors" in found
