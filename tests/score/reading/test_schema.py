"""The published schemas are current, and the manual and the demo show agree with them."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from syncbox.score.problem import Problem
from syncbox.score.reading import read_song
from syncbox.score.reading.nodes import Node, Scalar, Sequence, compose
from syncbox.score.reading.report import Report
from syncbox.score.reading.rig import draft_set, read_rig
from syncbox.score.reading.rig_tables import RIG_TABLES, SET_TABLES
from syncbox.score.reading.schema import FILE_TABLES, schema_texts
from syncbox.score.reading.song_tables import TABLES

ROOT = Path(__file__).parents[3]
SCHEMAS = ROOT / "syncbox" / "guide" / "schemas"
PAGE = (ROOT / "syncbox" / "guide" / "format.md").read_text(encoding="utf-8")
ALL_TABLES = (*TABLES, *RIG_TABLES, *SET_TABLES)
EXAMPLES = re.findall(r"```yaml (\w+)\n(.*?)```", PAGE, re.S)

# YAML 1.2.2 core schema, section 10.3.2: what an editor's reader makes of plain text.
_INT = re.compile(r"[-+]?[0-9]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_WORDS: dict[str, Any] = {"": None, "~": None, "null": None, "true": True, "false": False}


def as_an_editor_sees_it(node: Node) -> Any:
    if isinstance(node, Sequence):
        return [as_an_editor_sees_it(item) for item in node.items]
    if not isinstance(node, Scalar):
        return {key: as_an_editor_sees_it(value) for key, (_, value) in node.pairs.items()}
    if not node.plain:
        return node.text
    if node.text in _WORDS:
        return _WORDS[node.text]
    if _INT.fullmatch(node.text):
        return int(node.text)
    return float(node.text) if _FLOAT.fullmatch(node.text) else node.text


def data_of(text: str) -> Any:
    root = compose(text, Report("x.yaml", []))
    assert root is not None
    return as_an_editor_sees_it(root)


def schema_for(kind: str) -> Any:
    return json.loads((SCHEMAS / f"{kind}.schema.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", FILE_TABLES)
def test_the_schemas_are_current_and_are_schemas(name: str) -> None:
    """Otherwise: python3 -m syncbox schema -o syncbox/guide/schemas."""
    text = (SCHEMAS / name).read_text(encoding="utf-8")
    assert text == schema_texts()[name]
    jsonschema.Draft202012Validator.check_schema(json.loads(text))


@pytest.mark.parametrize("path", sorted((ROOT / "songs").glob("*.yaml")), ids=lambda p: p.name)
def test_the_demo_show_fits_its_schemas(path: Path) -> None:
    kind = path.stem if path.stem in {"rig", "setlist"} else "song"
    jsonschema.validate(data_of(path.read_text(encoding="utf-8")), schema_for(kind))


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("song", "title: x\ntempo: 96\nsections: [{section: A, bras: 2}]\n"),
        ("song", "title: x\nsections: []\n"),
        ("song", "title: x\ntempo: 96\nsections: [{section: A, bars: 2, ramp: {shape: odd}}]\n"),
        ("rig", "ports: {a: {match: x, wire: radio}}\n"),
        ("setlist", "songs: [{sung: a}]\n"),
    ],
)
def test_the_schemas_mark_mistakes(kind: str, text: str) -> None:
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data_of(text), schema_for(kind))


# --- the manual ----------------------------------------------------------------------------------

HEAD = "syncbox: 1\ntitle: x\ntempo: quarter = 96\n"


def whole_file(kind: str, text: str) -> str:
    """An example of the manual as a file of its own."""
    if kind == "head":
        return f"{HEAD}{text}sections: [{{section: A, bars: 2}}]\n"
    if kind == "section":
        body = "".join(f"    {line}\n" for line in text.splitlines())
        return f"{HEAD}sections:\n  - section: A\n{body}"
    return text


@pytest.mark.parametrize(("kind", "text"), EXAMPLES)
def test_every_example_of_the_manual_parses(kind: str, text: str) -> None:
    problems: list[Problem] = []
    whole = whole_file(kind, text)
    if kind == "rig":
        read_rig(whole, "rig.yaml", problems)
    elif kind == "set":
        draft_set(whole, "setlist.yaml", problems)
    else:
        assert kind in {"song", "head", "section"}
        read_song(whole, "song.yaml", problems)
    assert problems == []
    name = {"rig": "rig", "set": "setlist"}.get(kind, "song")
    jsonschema.validate(data_of(whole), schema_for(name))


def test_every_code_block_of_the_manual_is_such_an_example() -> None:
    assert PAGE.count("```") == 2 * len(EXAMPLES)
    assert len(EXAMPLES) > 10


@pytest.mark.parametrize(
    ("table", "key"),
    [(table, field.key) for table in ALL_TABLES for field in table.fields],
    ids=lambda value: value if isinstance(value, str) else value.name,
)
def test_every_key_is_in_the_manual_and_in_an_example(table: Any, key: str) -> None:
    assert f"| `{key}` |" in PAGE, f"{table.called}: {key}"
    assert any(re.search(rf"(^|[\s{{]){key}:", text, re.M) for _, text in EXAMPLES), key


def test_the_manual_documents_no_key_that_is_not_there() -> None:
    known = {field.key for table in ALL_TABLES for field in table.fields}
    assert set(re.findall(r"^\| `([^`]+)` \|", PAGE, re.M)) == known
