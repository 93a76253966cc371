"""JSON Schemas (draft 2020-12) of the three kinds of file, from the reader's own tables.

They describe the data that an editor's YAML 1.2 reader sees, where `96` is a number
and `quarter = 96` a text. They catch wrong names and shapes; what a text means is the
reader's to judge.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from syncbox.score.reading.fields import Field, Table
from syncbox.score.reading.rig_tables import RIG_TABLES, SET_TABLES
from syncbox.score.reading.song_tables import TABLES

DIALECT = "https://json-schema.org/draft/2020-12/schema"
FILE_TABLES = {
    "song.schema.json": TABLES,
    "rig.schema.json": RIG_TABLES,
    # Tonight's other patches are written as in a song.
    "setlist.schema.json": SET_TABLES,
}


def _field_schema(field: Field) -> dict[str, Any]:
    schema: dict[str, Any] = dict(field.kind.schema)
    if field.kind.empty_ok:
        schema = {"anyOf": [schema, {"type": "null"}]}
    return {"description": field.doc, **schema}


def _table_schema(table: Table) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "type": "object",
        "description": table.doc,
        "properties": {field.key: _field_schema(field) for field in table.fields},
        "additionalProperties": False,
    }
    required = [field.key for field in table.fields if field.required]
    if required:
        schema["required"] = required
    return schema


def file_schema(tables: Iterable[Table]) -> dict[str, Any]:
    """The schema of a file whose outermost table is the first."""
    first, *others = tables
    return {
        "$schema": DIALECT,
        "title": f"syncbox: {first.called}",
        **_table_schema(first),
        "$defs": {table.name: _table_schema(table) for table in others},
    }


def schema_texts() -> dict[str, str]:
    """File name -> text of each schema, ending in a newline."""
    return {
        name: json.dumps(file_schema(tables), indent=2, ensure_ascii=False) + "\n"
        for name, tables in FILE_TABLES.items()
    }
