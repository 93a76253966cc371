"""What a YAML parser's complaint means to someone who never heard of YAML."""

from __future__ import annotations

import yaml

At = tuple[int, int]  # line and column, both from 1

_QUOTES = "put the text in quotes"

# A phrase in the parser's message, what it means, what to do. Both of PyYAML's parsers
# (libyaml and its own) are covered. First match wins.
_MEANINGS = (
    (
        "mapping values are not allowed",
        "a second ':' on this line, or a line that is indented too far",
        'text with a colon needs quotes: title: "Part 2: the return"',
    ),
    ("could not find expected ':'", "a name without ':' and a value", "write 'name: value'"),
    (
        "unexpected end of stream",
        "a quotation mark is opened here and never closed",
        "close it on the same line",
    ),
    ("document separator", "a quotation mark is opened here and never closed", "close it"),
    (
        "',' or ']'",
        "a list opened with '[' here is not closed",
        "separate with ',' and close with ']'",
    ),
    ("',' or '}'", "a '{' here is not closed", "separate with ',' and close with '}'"),
    (
        "did not find expected '-'",
        "a line that is not part of the list above it",
        "begin it with '- ' in line with the others, or indent it otherwise",
    ),
    (
        "expected <block end>",
        "this line's indentation fits nothing above it",
        "line it up with its neighbours",
    ),
    (
        "did not find expected key",
        "this line's indentation fits nothing above it",
        "line it up with its neighbours; text with special signs needs quotes",
    ),
    (
        "expected alphabetic or numeric",
        "'&' or '*' begins this value",
        _QUOTES,
    ),
    ("escape", "a backslash in double quotes means something else", "use single quotes: 'a\\b'"),
    ("incompatible", "this file asks for another YAML", "take out the line that begins with %"),
    ("directive", "a line begins with %", _QUOTES),
    ("node content", "a sign that closes nothing, or a value that is missing", _QUOTES),
)

# These are told where they begin, not where the parser gave up.
_AT_BEGINNING = ("a name without", "a list opened", "a '{'")


def explain(error: yaml.MarkedYAMLError, text: str) -> tuple[At, str, str]:
    """Where (line and column), what is wrong and what to write instead."""
    mark = error.problem_mark or error.context_mark
    at = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    problem = f"{error.problem or ''} {error.context or ''}"
    line = _line(text, at[0])
    if _indented_with_tab(line) or "tab character" in problem:
        return (
            (at[0], 1 + len(line) - len(line.lstrip(" "))),
            "a tab indents this line",
            "indent with spaces, two to a step",
        )
    if "cannot start any token" in problem:
        sign = line[at[1] - 1 : at[1]]
        return at, f"a value cannot begin with {sign!r}", _QUOTES
    if error.context_mark is not None and "end of stream" in problem + line[at[1] - 1 :]:
        at = (error.context_mark.line + 1, error.context_mark.column + 1)
    if "node content" in problem and not text[mark.index if mark else 0 :].strip():
        return at, "the file ends inside a list that is not closed", "close it with ']' or '}'"
    for phrase, what, hint in _MEANINGS:
        if phrase in problem:
            if what.startswith(_AT_BEGINNING) and error.context_mark is not None:
                at = (error.context_mark.line + 1, error.context_mark.column + 1)
            return at, what, hint
    return at, f"this cannot be read ({error.problem or 'unclear'})", _QUOTES


def _line(text: str, number: int) -> str:
    lines = text.split("\n")
    return lines[number - 1] if number <= len(lines) else ""


def _indented_with_tab(line: str) -> bool:
    return "\t" in line[: len(line) - len(line.lstrip())]


def place_of(text: str, index: int) -> At:
    """Line and column of a character offset."""
    return text.count("\n", 0, index) + 1, index - text.rfind("\n", 0, index)
