"""Modules that fit in a head, functions that fit on a screen, nothing left for later."""

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = sorted(
    path for folder in ("syncbox", "tests", "tools") for path in (ROOT / folder).rglob("*.py")
)
MODULE_LINES_MAX = 400
FUNCTION_LINES_MAX = 60
# Longer on purpose: path -> reason.
LONG_MODULES: dict[str, str] = {}
LONG_FUNCTIONS: dict[str, str] = {}

# Spelled apart so that this file does not find itself.
LEFT_FOR_LATER = re.compile(r"\b(TO" r"DO|FIX" r"ME|X" r"XX|HA" r"CK)\b")
TEXT_SUFFIXES = {".py", ".md", ".toml", ".yaml", ".yml", ".json", ".sh", ".svg", ".txt", ""}


def kept_files():
    """Every file that git keeps or would keep."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        check=True,
        capture_output=True,
    ).stdout.decode()
    return [ROOT / name for name in listed.split("\0") if name and (ROOT / name).is_file()]


def relative(path):
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("path", SOURCES, ids=relative)
def test_modules_and_functions_stay_short(path):
    text = path.read_text(encoding="utf-8")
    count = text.count("\n")
    assert count <= MODULE_LINES_MAX or relative(path) in LONG_MODULES, f"{count} lines"
    long = [
        f"{path}:{node.lineno}: {node.name} has {node.end_lineno - node.lineno + 1} lines"
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.end_lineno - node.lineno + 1 > FUNCTION_LINES_MAX
        and f"{relative(path)}:{node.name}" not in LONG_FUNCTIONS
    ]
    assert not long, "\n".join(long)


def test_nothing_is_left_for_later():
    found = [
        f"{relative(path)}:{number}: {line.strip()}"
        for path in kept_files()
        if path.suffix in TEXT_SUFFIXES and b"\0" not in path.read_bytes()[:1024]
        for number, line in enumerate(path.read_text("utf-8", errors="replace").splitlines(), 1)
        if LEFT_FOR_LATER.search(line)
    ]
    assert not found, "\n".join(found)


def test_no_module_is_named_after_nothing():
    vague = {"utils", "util", "helpers", "helper", "common", "misc", "stuff"}
    assert not [relative(path) for path in SOURCES if path.stem in vague]


def test_no_file_is_too_large_to_keep():
    large = {relative(p): p.stat().st_size for p in kept_files() if p.stat().st_size > 2_000_000}
    assert not large


def test_every_package_module_has_a_docstring_that_says_what_it_is_for():
    silent = [
        relative(path)
        for path in SOURCES
        if relative(path).startswith("syncbox/")
        and path.stem != "__init__"
        and not ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    ]
    assert not silent
