"""Change one value in a file's text and leave every other character as it is."""

from __future__ import annotations

from syncbox.errors import ShowError
from syncbox.score.problem import Problem
from syncbox.score.reading.nodes import Mapping, Node, Scalar, Sequence, compose
from syncbox.score.reading.report import Report

Path = tuple[str | int, ...]  # keys, and list entries from 0


def find(root: Node, path: Path) -> Node:
    """The node at a path. Raises ShowError naming the step that is not there."""
    node = root
    for depth, step in enumerate(path):
        found: Node | None = None
        if isinstance(node, Mapping) and isinstance(step, str):
            found = node.get(step)
        elif isinstance(node, Sequence) and isinstance(step, int) and 0 <= step < len(node.items):
            found = node.items[step]
        if found is None:
            raise ShowError(f"there is no '{'.'.join(map(str, path[: depth + 1]))}' in the file")
        node = found
    return node


def set_value(text: str, path: Path, value: str, *, source: str = "") -> str:
    """The text with the value at `path` replaced.

    Comments, order, quotes elsewhere and line ends stay byte for byte. Raises
    ShowError if the text cannot be read, or there is no single value at `path`.
    """
    before = tree(text, source)
    node = find(before, path)
    if not isinstance(node, Scalar):
        raise ShowError("a list stands here, not one value", where=f"{source}:{node.line}")
    for written in _ways(value, was_plain=node.plain):
        lead = " " if text[node.start - 1 : node.start] == ":" else ""
        fresh = text[: node.start] + lead + written + text[node.end :]
        if _says(fresh, path, value, before):
            return fresh
    raise ShowError(
        f"'{value}' cannot be written there", where=f"{source}:{node.line}:{node.column}"
    )


def tree(text: str, source: str) -> Node:
    """The tree of a text. Raises ShowError with its first problem."""
    problems: list[Problem] = []
    root = compose(text, Report(source, problems))
    if root is None or problems:
        raise ShowError(problems[0].what, where=str(problems[0].place), hint=problems[0].hint)
    return root


def _ways(value: str, *, was_plain: bool) -> tuple[str, ...]:
    """How a value can be written, the plainest first; quotes stay where there were some."""
    single = "'" + value.replace("'", "''") + "'"
    escaped = "".join(
        c if c.isprintable() and c not in '"\\' else f"\\U{ord(c):08x}" for c in value
    )
    quoted = (single, f'"{escaped}"')
    return (value, *quoted) if was_plain else quoted


def _says(text: str, path: Path, value: str, before: Node) -> bool:
    """Whether a changed text reads as the tree before with just this value changed."""
    problems: list[Problem] = []
    after = compose(text, Report("", problems))
    if after is None or problems:
        return False
    return bare(after) == bare(before, path, value)


def bare(node: Node, path: Path | None = None, value: str = "") -> object:
    """A tree without places, with the value at `path` replaced."""
    if isinstance(node, Scalar):
        return value if path == () else node.text

    def inner(step: str | int) -> Path | None:
        return path[1:] if path and path[0] == step else None

    if isinstance(node, Sequence):
        return [bare(item, inner(i), value) for i, item in enumerate(node.items)]
    return [(key, bare(item, inner(key), value)) for key, (_, item) in node.pairs.items()]
