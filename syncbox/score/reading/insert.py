"""Add an entry to a file's text and leave every other character as it is.

Where a line goes is tried out, nearest place first: a try counts if the changed text
reads as the old one with exactly this entry more.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from syncbox.errors import ShowError
from syncbox.score.reading.edit import bare, tree
from syncbox.score.reading.nodes import Mapping, Node, Scalar, Sequence, compose
from syncbox.score.reading.report import Report

_STEP = "  "


def add_item(text: str, key: str, item: str, *, source: str = "") -> str:
    """The text with one more entry at the end of the list under a top-level key.

    `item` is written in one line, `{a: 1}`. A key that is not there is added at the end
    of the file. Raises ShowError if the text cannot be read or has no place for it.
    """
    return _add(text, key, "- " + item, source)


def add_pair(text: str, key: str, name: str, value: str, *, source: str = "") -> str:
    """The text with one more name and value under a top-level key. Otherwise as `add_item`."""
    return _add(text, key, f"{quoted(name)}: {quoted(value)}", source)


def quoted(word: str) -> str:
    """A word as it stands in YAML: in double quotes where it has to be."""
    if re.fullmatch(r"[A-Za-z][\w -]*[\w]|[A-Za-z]", word):
        return word
    return '"' + word.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _add(text: str, key: str, entry: str, source: str) -> str:
    before = tree(text, source)
    if not isinstance(before, Mapping):
        raise ShowError("the file is not written as names with values", where=source)
    lines = text.splitlines(keepends=True)
    ending = "\r\n" if lines and lines[0].endswith("\r\n") else "\n"
    wanted = _with_entry(before, key, entry)
    for at, indent in _places(before, key, lines):
        head = lines[:at]
        if head and not head[-1].endswith(("\n", "\r")):
            head[-1] += ending
        fresh = [f"{indent}{entry}{ending}"]
        if before.get(key) is None:
            fresh = [f"{ending}{key}:{ending}", *fresh]
        changed = "".join([*head, *fresh, *lines[at:]])
        if _reads_as(changed, wanted):
            return changed
    node = before.get(key)
    raise ShowError(
        f"there is no place under '{key}' where a line can be added by itself",
        where=f"{source}:{node.line}" if node else source,
        hint=f"write it there by hand: {entry}",
    )


def _places(root: Mapping, key: str, lines: list[str]) -> Iterator[tuple[int, str]]:
    """Where a line could go (so many lines before it) and its indentation, likely ones first."""
    node = root.get(key)
    if node is None:
        yield len(lines), _STEP
        return
    key_line = root.pairs[key][0].line
    entries: list[Node | Scalar] = []
    if isinstance(node, Sequence):
        entries = list(node.items)
    elif isinstance(node, Mapping):
        entries = [key_node for key_node, _ in node.pairs.values()]
    if not entries:
        yield key_line, _STEP
        return
    indent = re.match(r"\s*", lines[entries[0].line - 1])
    assert indent is not None
    last = max(_last_line(node), entries[-1].line)
    following = [pair[0].line for pair in root.pairs.values() if pair[0].line > key_line]
    end = min(following, default=len(lines) + 1)
    for at in range(last, end):
        yield at, indent[0]


def _last_line(node: Node) -> int:
    if isinstance(node, Scalar):
        return node.line
    parts = node.items if isinstance(node, Sequence) else [n for _, n in node.pairs.values()]
    return max([node.line, *map(_last_line, parts)])


def _with_entry(root: Mapping, key: str, entry: str) -> object:
    """The bare tree that is wanted."""
    added = compose(entry, Report("", []))
    assert added is not None, entry
    node, more = root.get(key), bare(added)
    empty = node is None or (isinstance(node, Scalar) and not node.text)
    wanted = [(name, bare(value)) for name, (_, value) in root.pairs.items()]
    assert isinstance(more, list)
    if node is None:
        return [*wanted, (key, more)]
    return [(n, more if empty else _joined(value, more)) if n == key else (n, value)
            for n, value in wanted]  # fmt: skip


def _joined(value: object, more: list[object]) -> object:
    return [*value, *more] if isinstance(value, list) else None


def _reads_as(text: str, wanted: object) -> bool:
    report = Report("", [])
    after = compose(text, report)
    return after is not None and not report.errors and bare(after) == wanted
