"""YAML text to a tree of nodes that know their line and column; every scalar stays text.

YAML's own ideas of numbers, times and truth are not used: `1:30`, `no` and `08` mean
what a musician means, and each field decides what it needs. The parser's events are
followed one by one, so depth, size and the growth of aliases are bounded before any
tree exists, and no input can exhaust the stack.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

import yaml

from syncbox.score.reading.report import Report
from syncbox.score.reading.syntax import explain, place_of

DEPTH_MAX = 24  # the deepest thing a song can say is eight levels down
NODES_MAX = 100_000  # also counting everything that an alias repeats
MIB = 1_048_576
TEXT_BYTES_MAX = MIB

_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass(frozen=True, slots=True)
class Scalar:
    """One value, as text. `start` and `end` are character offsets in the file's text."""

    text: str
    plain: bool  # written without quotes
    line: int
    column: int
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Sequence:
    """A list."""

    items: list[Node]
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Mapping:
    """Keys with values, in file order, keys unique."""

    pairs: dict[str, tuple[Scalar, Node]]
    line: int
    column: int

    def get(self, key: str) -> Node | None:
        pair = self.pairs.get(key)
        return pair[1] if pair else None


Node = Scalar | Sequence | Mapping


@dataclass(frozen=True, slots=True)
class _Mark:
    line: int
    column: int


class _Stop(Exception):  # noqa: N818 - not an error: the report has it
    """The text cannot be read further; the report has said why."""


@dataclass(slots=True)
class _Open:
    """A list or mapping whose end has not come yet."""

    node: Sequence | Mapping
    anchor: str | None
    nodes_before: int
    key: Scalar | None = None
    refused: bool = False  # the value that comes belongs to a key that was refused


@dataclass(slots=True)
class _Composer:
    report: Report
    offset: int  # characters before the text that the parser saw
    stack: list[_Open] = field(default_factory=list)
    anchors: dict[str, tuple[Node, int]] = field(default_factory=dict)
    root: Node | None = None
    nodes: int = 0
    documents: int = 0

    def stop(self, mark: _Mark, what: str, hint: str = "") -> _Stop:
        self.report.error(mark, what, hint)
        return _Stop()

    def take(self, event: Any) -> None:
        """One parser event."""
        start, end = event.start_mark, event.end_mark
        mark = _Mark(start.line + 1, start.column + 1)
        if isinstance(event, yaml.ScalarEvent):
            self._refuse_tag(event, mark)
            scalar = Scalar(
                event.value,
                not event.style,
                mark.line,
                mark.column,
                start.index + self.offset,
                end.index + self.offset,
            )
            self._count(1, mark)
            self._remember(event.anchor, scalar, 1)
            self._place(scalar, mark)
        elif isinstance(event, yaml.AliasEvent):
            self._alias(event, mark)
        elif isinstance(event, yaml.CollectionStartEvent):
            self._open(event, mark)
        elif isinstance(event, yaml.CollectionEndEvent):
            done = self.stack.pop()
            self._remember(done.anchor, done.node, self.nodes - done.nodes_before)
        elif isinstance(event, yaml.DocumentStartEvent):
            self.documents += 1
            if self.documents > 1:
                raise self.stop(
                    mark, "a second document begins here", "take out the line of three dashes"
                )

    def _open(self, event: Any, mark: _Mark) -> None:
        self._refuse_tag(event, mark)
        if len(self.stack) >= DEPTH_MAX:
            raise self.too_deep(mark)
        before = self.nodes
        self._count(1, mark)
        is_list = isinstance(event, yaml.SequenceStartEvent)
        node: Sequence | Mapping = (
            Sequence([], mark.line, mark.column) if is_list else Mapping({}, mark.line, mark.column)
        )
        self._place(node, mark)
        self.stack.append(_Open(node, event.anchor, before))

    def too_deep(self, mark: _Mark) -> _Stop:
        return self.stop(
            mark,
            "brackets or indented lists go too deep here",
            f"nothing in a show needs more than {DEPTH_MAX} levels",
        )

    def _alias(self, event: Any, mark: _Mark) -> None:
        known = self.anchors.get(event.anchor)
        if known is None:
            raise self.stop(
                mark,
                f"*{event.anchor} repeats something that is not marked with &{event.anchor} above",
                "text that begins with a star needs quotes",
            )
        node, size = known
        self._count(size, mark)
        self._place(node, mark)

    def _refuse_tag(self, event: Any, mark: _Mark) -> None:
        if event.tag not in {None, "!"}:
            raise self.stop(
                mark,
                "an exclamation mark begins this value",
                'put the text in quotes, for example "!bang"',
            )

    def _count(self, size: int, mark: _Mark) -> None:
        self.nodes += size
        if self.nodes > NODES_MAX:
            raise self.stop(
                mark,
                f"this file says more than {NODES_MAX} things by here",
                "split it into several songs, or take out repeated aliases",
            )

    def _remember(self, anchor: str | None, node: Node, size: int) -> None:
        if anchor is not None:
            self.anchors[anchor] = (node, size)

    def _place(self, node: Node, mark: _Mark) -> None:
        """Hang a node into the innermost open list or mapping."""
        if not self.stack:
            self.root = node
            return
        owner = self.stack[-1]
        if isinstance(owner.node, Sequence):
            owner.node.items.append(node)
        elif owner.key is not None:
            owner.node.pairs[owner.key.text] = (owner.key, node)
            owner.key = None
        elif owner.refused:
            owner.refused = False
        else:
            self._key(owner, node, mark)

    def _key(self, owner: _Open, node: Node, mark: _Mark) -> None:
        assert isinstance(owner.node, Mapping)
        owner.refused = True
        if not isinstance(node, Scalar):
            self.report.error(
                mark, "a list stands where a name is expected", "write a name, a colon and a value"
            )
        elif node.text == "<<" and node.plain:
            self.report.error(
                mark, "'<<' (merging another list in) is not used here", "write the lines out"
            )
        elif (first := owner.node.pairs.get(node.text)) is not None:
            self.report.error(
                mark,
                f"'{node.text}' stands here a second time; the first is on line {first[0].line}",
                "keep one of the two",
            )
        else:
            owner.refused = False
            owner.key = Scalar(node.text, node.plain, mark.line, mark.column, node.start, node.end)


# YAML 1.2.2 section 5.1: the characters that a file may contain.
_NOT_TEXT = re.compile(
    r"[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)
# These end a line for one of PyYAML's parsers, but not in an editor that counts lines.
_ODD_BREAKS = str.maketrans(dict.fromkeys("\x85\u2028\u2029", " "))


def _deepest_bracket(text: str) -> int:
    """Index of the bracket that goes deeper than a show may, inside its top level; else 0."""
    depth = 1
    for found in re.finditer(r"[\[\]{}]", text):
        depth += 1 if found.group() in "[{" else -1
        if depth > DEPTH_MAX:
            return found.start()
    return 0


def compose(text: str, report: Report) -> Node | None:
    """The tree of a file's text, or None if the report says why there is none.

    Never raises, whatever the text.
    """
    if len(text) > TEXT_BYTES_MAX:
        report.file_error(
            f"the file is larger than {TEXT_BYTES_MAX // MIB} MB",
            "a song file is a few kilobytes; is this the right file?",
        )
        return None
    offset = 1 if text.startswith("\ufeff") else 0  # a byte order mark
    text = text[offset:].translate(_ODD_BREAKS)
    strange = _NOT_TEXT.search(text)
    if strange:
        report.error(
            _Mark(*place_of(text, strange.start())),
            f"character {ord(strange.group()):04X} (hexadecimal) is not text",
            "the file is damaged or not a text file; write it with a text editor, saved as UTF-8",
        )
        return None
    composer = _Composer(report, offset)
    try:
        for event in yaml.parse(text, Loader=_LOADER):
            composer.take(event)
    except _Stop:
        return None
    except yaml.MarkedYAMLError as error:
        if "nesting depth" in str(error.problem):  # libyaml looks ahead and gives up first
            composer.too_deep(_Mark(*place_of(text, _deepest_bracket(text))))
            return None
        at, what, hint = explain(error, text)
        report.error(_Mark(*at), what, hint)
        return None
    if composer.root is None:
        report.file_error(
            "the file is empty", "write 'syncbox: 1' on the first line, then the rest"
        )
    return composer.root
