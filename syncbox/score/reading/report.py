"""Problems collected while one file is read."""

from __future__ import annotations

from typing import Protocol

from syncbox.score.problem import Problem, Severity
from syncbox.score.song import Place

ERRORS_SHOWN_MAX = 100  # in one file; more help nobody


class Mistake(ValueError):  # noqa: N818 - the word for what a person does
    """A text that does not say what its field needs: what is wrong, and what to write instead."""

    def __init__(self, what: str, hint: str = "") -> None:
        super().__init__(what)
        self.what, self.hint = what, hint


class Located(Protocol):
    """Anything that stands at a line and column, both from 1."""

    @property
    def line(self) -> int: ...
    @property
    def column(self) -> int: ...


class Report:
    """Where the reader of one file puts what it finds wrong."""

    def __init__(self, source: str, problems: list[Problem]) -> None:
        """`source` is the file's name as messages show it; problems are appended to the list."""
        self.source = source
        self.problems = problems
        self.errors = 0

    def place(self, at: Located) -> Place:
        return Place(self.source, at.line, at.column)

    def error(self, at: Located, what: str, hint: str = "") -> None:
        self.errors += 1
        if self.errors <= ERRORS_SHOWN_MAX:
            self.problems.append(Problem(self.place(at), what, hint))
        elif self.errors == ERRORS_SHOWN_MAX + 1:
            self.problems.append(
                Problem(self.place(at), "more mistakes follow here", "correct those above first")
            )

    def warn(self, at: Located, what: str, hint: str = "") -> None:
        self.problems.append(Problem(self.place(at), what, hint, Severity.WARNING))

    def file_error(self, what: str, hint: str = "") -> None:
        """A problem of the file as a whole."""
        self.errors += 1
        self.problems.append(Problem(Place(self.source), what, hint))
