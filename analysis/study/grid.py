"""A file as a grid of texts, cell by cell as it stands, before anything is understood."""

from __future__ import annotations

from dataclasses import dataclass, field

from analysis.study.problem import Problem, Repair


@dataclass
class Grid:
    """Cells by row and column, both from 0; row i is row i + 1 of the file. Rows may be of unequal length.

    `filled` holds cells that belong to a merged cell and show its value; `dates` the cells that the spreadsheet keeps
    as dates; `faults` cells whose value isn't there (an error, a formula without a stored value), with the reason;
    `torn` rows of a text file that can't be told apart into cells, with the reason.
    """

    file: str
    cells: list[list[str]]
    worksheet: str | None = None
    encoding: str | None = None
    delimiter: str | None = None
    filled: dict[tuple[int, int], str] = field(default_factory=dict)
    dates: set[tuple[int, int]] = field(default_factory=set)
    faults: dict[tuple[int, int], str] = field(default_factory=dict)
    torn: dict[int, str] = field(default_factory=dict)
    repairs: list[Repair] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    @property
    def width(self) -> int:
        """Number of columns of the longest row."""
        return max((len(row) for row in self.cells), default=0)


def column_letter(place: int) -> str:
    """Return a spreadsheet's name for a column counted from 0: A, B, ..., Z, AA.

    >>> column_letter(0), column_letter(25), column_letter(26)
    ('A', 'Z', 'AA')
    """
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
