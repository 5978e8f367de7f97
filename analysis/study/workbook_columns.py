"""Which columns the page of routines has, under which headers, and how far it goes."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.study.codebook import Codebook
from analysis.study.grid import column_letter

ROUTINES = "Routines"
_ORDER = (
    *("meet", "round", "start order", "athlete"),
    *("technique", "landing", "deduction", "other faults"),
    *("clip", "note", "coder"),
    *("difficulty", "execution", "date", "apparatus", "routine"),
)
WHO = _ORDER[:4]
"""What a start list brings, in the order of its columns."""
CODED = _ORDER[4:8]


@dataclass(frozen=True)
class Column:
    """One column of the page of routines: its header and the variables that it holds (two where headers are shared)."""

    header: str
    variables: tuple[str, ...]
    letter: str


def columns_of(codebook: Codebook) -> tuple[Column, ...]:
    """Return the columns of a workbook for this codebook, under the headers that its [columns] asks for."""
    shared: dict[str, list[str]] = {}
    for variable in _ORDER:
        shared.setdefault(codebook.columns.get(variable, variable), []).append(variable)
    return tuple(
        Column(header, tuple(variables), column_letter(place))
        for place, (header, variables) in enumerate(shared.items())
    )


@dataclass(frozen=True)
class Reach:
    """Where the routines lie on their page: columns, last prepared row, last row with lists and counts."""

    columns: tuple[Column, ...]
    prepared: int
    last: int

    def letter(self, variable: str) -> str:
        """The column that holds a variable."""
        return next(column.letter for column in self.columns if variable in column.variables)

    def cells(self, variable: str) -> str:
        """The column of a variable as other pages name it."""
        letter = self.letter(variable)
        return f"{ROUTINES}!${letter}$2:${letter}${self.last}"

    def distinct(self, one: str, other: str) -> bool:
        """Whether two variables have columns of their own."""
        return self.letter(one) != self.letter(other)
