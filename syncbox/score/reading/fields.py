"""What a file may say, as tables: each field's name, how it is read, and what it means.

The reader, the JSON Schemas and the test of the manual all read these tables, so a
field is written down once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar, cast

from syncbox.score.reading.nodes import Mapping as MappingNode
from syncbox.score.reading.nodes import Node, Scalar, Sequence
from syncbox.score.reading.numbers import listing, near, shown
from syncbox.score.reading.report import Mistake, Report

T = TypeVar("T")
Schema = Mapping[str, Any]

_LISTED_KEYS = 12  # more than this many are not listed in a message


@dataclass(frozen=True, slots=True)
class Kind(Generic[T]):
    """How a value is read. `read` gives None after it has reported a problem."""

    read: Callable[[Node, Report], T | None]
    schema: Schema
    empty_ok: bool = False  # a key with nothing behind it counts as not written


@dataclass(frozen=True, slots=True)
class Field:
    """One key of a table."""

    key: str
    kind: Kind[Any]
    doc: str
    required: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """The keys of one kind of list entry or file. `instead` maps likely words to advice."""

    called: str  # with its article, for messages: "a section"
    fields: tuple[Field, ...]
    instead: Mapping[str, str] = field(default_factory=dict)
    doc: str = ""

    @property
    def name(self) -> str:
        return self.called.split(" ", 1)[1].replace(" ", "-")

    def keys(self) -> list[str]:
        return [f.key for f in self.fields]


@dataclass(frozen=True, slots=True)
class Found:
    """What was read of one table: values that could be read, and the nodes they stand in."""

    node: MappingNode
    values: Mapping[str, object]

    def get(self, key: str, default: T) -> T:
        """The value of a key, or the default where it is missing or could not be read."""
        return cast("T", self.values.get(key, default))

    def has(self, key: str) -> bool:
        """Whether the key is written, readable or not."""
        return key in self.node.pairs

    def at(self, key: str) -> Node | MappingNode:
        """The node of a value; the whole table's where the key is not written."""
        return self.node.get(key) or self.node


# --- reading a table --------------------------------------------------------------------------


def read_table(node: Node, table: Table, report: Report) -> Found | None:
    """Read every key that can be read; report unknown, missing and unreadable ones."""
    if not isinstance(node, MappingNode):
        keys = listing([f.key for f in table.fields if f.required] or table.keys()[:3])
        report.error(
            node,
            f"{table.called} is written as names with values, not as {_describe(node)}",
            f"write for example {keys} with a colon and a value",
        )
        return None
    known = {f.key: f for f in table.fields}
    values: dict[str, object] = {}
    meant: set[str] = set()  # keys that an unknown key was probably meant to be
    for key, (key_node, value) in node.pairs.items():
        if key not in known:
            guess = _guess(key, table, node)
            meant.add(guess)
            report.error(
                key_node, f"{table.called} has no {shown(key)}", _advice(key, guess, table)
            )
            continue
        what = known[key]
        if isinstance(value, Scalar) and value.plain and not value.text:
            if not what.kind.empty_ok:
                report.error(
                    key_node, f"nothing is written after '{key}:'", "write a value or take it out"
                )
            continue
        result = what.kind.read(value, report)
        if result is not None:
            values[key] = result
    for what in table.fields:
        if what.required and what.key not in node.pairs and what.key not in meant:
            report.error(node, f"{table.called} needs '{what.key}'", f"add it: {what.doc}")
    return Found(node, values)


def _plain(key: str) -> str:
    return key.strip().lower().replace("_", "-").replace(" ", "-")


def _guess(key: str, table: Table, node: MappingNode) -> str:
    """The key of the table that was probably meant, or an empty text."""
    word, keys = _plain(key), table.keys()
    if word in table.instead:
        return ""
    return word if word in keys else near(word, [k for k in keys if k not in node.pairs] or keys)


def _advice(key: str, guess: str, table: Table) -> str:
    if guess:
        return f"did you mean '{guess}'?"
    if (word := _plain(key)) in table.instead:
        return table.instead[word]
    keys = table.keys()
    if len(keys) <= _LISTED_KEYS:
        return f"it may have {listing(keys)}"
    return "`syncbox guide format` lists every key"


def _describe(node: Node) -> str:
    if isinstance(node, Scalar):
        return f"the text {shown(node.text)}" if node.text else "nothing"
    return "a list" if isinstance(node, Sequence) else "names with values"


# --- kinds ------------------------------------------------------------------------------------


def scalar(
    parse: Callable[[str], T], *examples: str, choices: Iterable[str] = (), number: bool = False
) -> Kind[T]:
    """A value written as one text and converted by `parse`, which raises Mistake.

    `number`: the text may look like a number to a YAML reader. `choices`: the only words.
    """

    def read(node: Node, report: Report) -> T | None:
        if not isinstance(node, Scalar):
            report.error(
                node,
                f"one value is expected here, not {_describe(node)}",
                f"write for example {examples[0]}",
            )
            return None
        try:
            return parse(node.text)
        except Mistake as mistake:
            report.error(node, mistake.what, mistake.hint)
            return None

    schema: dict[str, Any] = {"type": ["string", "number"] if number else "string"}
    if words := list(choices):
        schema = {"enum": words}
    if examples:
        schema["examples"] = list(examples)
    return Kind(read, schema)


def free_text(text: str) -> str:
    return text.strip()


def name(text: str) -> str:
    """A name that is not empty."""
    if not text.strip():
        raise Mistake("a name is missing", "write a name")
    return text.strip()


TEXT: Kind[str] = Kind(
    scalar(free_text, "Em, or a few words").read, {"type": ["string", "number"]}, empty_ok=True
)


def listed(kind: Kind[T], *, alone: bool = True) -> Kind[list[T]]:
    """A list of values; with `alone` a single value needs no list around it."""

    def read(node: Node, report: Report) -> list[T] | None:
        if isinstance(node, Sequence):
            items = node.items
        elif alone:
            items = [node]
        else:
            report.error(
                node, f"a list is expected here, not {_describe(node)}", "begin each line with '- '"
            )
            return None
        found = (kind.read(item, report) for item in items)
        return [value for value in found if value is not None]

    many = {"type": "array", "items": kind.schema}
    return Kind(read, {"anyOf": [many, kind.schema]} if alone else many, empty_ok=True)


def named(kind: Kind[T]) -> Kind[dict[str, tuple[Scalar, T]]]:
    """Free names with a value each; the name's node is kept for messages."""

    def read(node: Node, report: Report) -> dict[str, tuple[Scalar, T]] | None:
        if not isinstance(node, MappingNode):
            report.error(
                node,
                f"names with values are expected here, not {_describe(node)}",
                "write a name, a colon and a value on each line",
            )
            return None
        values: dict[str, tuple[Scalar, T]] = {}
        for key, (key_node, value_node) in node.pairs.items():
            if not key.strip():
                report.error(key_node, "a name is missing here", "write a name before the colon")
                continue
            value = kind.read(value_node, report)
            if value is not None:
                values[key.strip()] = (key_node, value)
        return values

    return Kind(read, {"type": "object", "additionalProperties": kind.schema}, empty_ok=True)


def table_of(table: Table) -> Kind[Found]:
    """A value that is a table of its own."""
    return Kind(
        lambda node, report: read_table(node, table, report),
        {"$ref": f"#/$defs/{table.name}"},
    )


def either(short: Kind[T], table: Table, build: Callable[[Found, Report], T | None]) -> Kind[T]:
    """A value in short form as text (or a list), or in long form as a table."""

    def read(node: Node, report: Report) -> T | None:
        if not isinstance(node, MappingNode):
            return short.read(node, report)
        found = read_table(node, table, report)
        return None if found is None else build(found, report)

    return Kind(read, {"anyOf": [short.schema, table_of(table).schema]}, short.empty_ok)


def located(kind: Kind[T]) -> Kind[tuple[Node, T]]:
    """The value together with its node."""

    def read(node: Node, report: Report) -> tuple[Node, T] | None:
        value = kind.read(node, report)
        return None if value is None else (node, value)

    return Kind(read, kind.schema, kind.empty_ok)
