"""What is wrong with a file, where, and what to do about it.

A `Problem` names one fault. A `Repair` names one change that the reader made. `InputProblem` is raised only where
a file as a whole can't be used; it carries every problem found, so that everything is told at once.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from analysis.shown import Shown


def _place(file: str, row: int | None, column: str | None) -> str:
    where = [file] if file else []
    if row is not None:
        where.append(f"row {row}")
    if column:
        where.append(f"column {column!r}")
    return ", ".join(where)


@dataclass(frozen=True)
class Problem(Shown):
    """One thing that is wrong, and what to do.

    Parameters
    ----------
    file : str
        The file as the user named it.
    row : int or None
        Row number as a spreadsheet program shows it (the first line is row 1); None for the file as a whole.
    column : str or None
        The header as it stands in the file, or the key of a plan or codebook.
    value : str or None
        The cell as it stands in the file.
    problem, remedy : str
        What is wrong; what to do.
    blocks : bool
        True when the row can't be used whatever the outcome (for example the same routine a second time).
    """

    file: str
    row: int | None
    column: str | None
    value: str | None
    problem: str
    remedy: str
    blocks: bool = False

    def __str__(self) -> str:
        """One line: where, what, and what to do."""
        places = [_place(self.file, self.row, self.column), _quoted(self.value) if self.value else ""]
        place = ", ".join(part for part in places if part)
        text = f"{place}: {self.problem}" if place else self.problem
        return " ".join((f"{text}; {self.remedy}" if self.remedy else text).split())

    def to_dict(self) -> dict[str, Any]:
        """Row, column, value, problem, remedy and file, as strict JSON values."""
        return {
            "row": self.row,
            "column": self.column,
            "value": self.value,
            "problem": self.problem,
            "remedy": self.remedy,
            "file": self.file,
        }


@dataclass(frozen=True)
class Repair(Shown):
    """One change that the reader made, as a careful person would without asking.

    `row` is None where the change concerns a whole column or file. `before` is the cell as it stands in the file.
    """

    file: str
    row: int | None
    column: str | None
    before: str
    after: str
    why: str

    def __str__(self) -> str:
        """One line: where, before, after and why."""
        change = f"{_quoted(self.before)} read as {_quoted(self.after)}"
        return " ".join(f"{_place(self.file, self.row, self.column)}: {change} ({self.why})".split())

    def to_dict(self) -> dict[str, Any]:
        """Every field under its own name, as strict JSON values."""
        return {
            "row": self.row,
            "column": self.column,
            "before": self.before,
            "after": self.after,
            "why": self.why,
            "file": self.file,
        }


class InputProblem(Exception):  # noqa: N818 - the name says what the user sees: a problem with what was put in
    """A file can't be used. `problems` holds everything that is wrong with it, told at once."""

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[Any, ...]:
        return InputProblem, (self.problems,)


def _quoted(value: str) -> str:
    shown = " ".join(value.split())
    if not shown:
        return "(blank)"
    return f'"{shown[:77]}..."' if len(shown) > 80 else f'"{shown}"'
