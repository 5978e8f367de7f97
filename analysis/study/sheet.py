"""Read an event sheet into tidy rows: every original cell kept, every repair and every problem listed.

What a reader may not do is guess: a cell that a careful person couldn't read without asking is left unread, and the
row stays with its problem named. Every line below the header that isn't blank is a routine or is listed as none.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.shown import grid
from analysis.study import cells as read
from analysis.study.codebook import NUMERIC, VARIABLES, Codebook, read_codebook
from analysis.study.dates import dates
from analysis.study.grid import Grid, column_letter
from analysis.study.header import Header, unique_names
from analysis.study.lines import not_a_routine
from analysis.study.problem import InputProblem, Problem, Repair
from analysis.study.source import choose_grid
from analysis.study.text import key, nearest, tidy
from analysis.study.toml_file import read_bytes

if TYPE_CHECKING:
    import pandas as pd

LARGEST = 100_000_000
"""Bytes of a sheet; 100,000 routines take about 10 MB."""
_NO_DATES = (*NUMERIC, "athlete", "technique", "landing", "round", "routine", "start order")
"""Where a cell that the spreadsheet keeps as a date is a slip of the spreadsheet (3-1 typed for a code)."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """An event sheet as read.

    Parameters
    ----------
    path, sha256, worksheet, encoding, delimiter
        Where the rows came from; what does not apply is None.
    codebook : Codebook
    headers : mapping
        For each variable of the sheet, the header of its column in the file.
    original : DataFrame of str
        The cells as they stand in the file: one line per routine, indexed by its row number in the file; columns are
        the file's headers made unique.
    rows : DataFrame
        The same routines, same index, as values: a column for each variable that the sheet has, under the variable's
        name, and every other column under its own header. Points and scores are whole thousandths (Int64); `landing` is
        a category of the codebook, "not seen", or None where it can't be read; all else is text or None.
    repairs, problems : tuple
        Lines that are no routines are among the repairs.
    """

    path: Path
    sha256: str
    worksheet: str | None
    encoding: str | None
    delimiter: str | None
    codebook: Codebook
    headers: Mapping[str, str]
    original: pd.DataFrame
    rows: pd.DataFrame
    repairs: tuple[Repair, ...]
    problems: tuple[Problem, ...]

    def column(self, name: str) -> str:
        """Return the column of `rows` that a plan's name means, or raise InputProblem with a suggestion."""
        by_header = {key(header): variable for variable, header in reversed(list(self.headers.items()))}
        variable = self.codebook.header_names.find(name)
        for found in (name, by_header.get(key(name)), variable):
            if found is not None and found in self.rows.columns:
                return found
        same = [str(column) for column in self.rows.columns if key(str(column)) == key(name)]
        if len(same) == 1:
            return same[0]
        listed = ", ".join(f'"{column}"' for column in self.rows.columns)
        near = nearest(name, [*map(str, self.rows.columns), *self.headers.values()])
        remedy = f'did you mean "{near}"?' if near else f"the sheet has {listed}"
        raise InputProblem(
            Problem(str(self.path), None, name, None, f"the sheet has no column {name!r}", remedy)
        )

    def match(self, column: str, value: str) -> str:
        """Return the category of a column that a plan's text means, or raise InputProblem with a suggestion."""
        column = self.column(column)
        present = [str(item) for item in self.rows[column].dropna().unique()]
        names = {"technique": self.codebook.technique_names, "landing": self.codebook.landing_names}.get(
            column
        )
        known = names.find(value) if names is not None else None
        for found in (value, tidy(value), known):
            if found is not None and found in present:
                return found
        same = [item for item in present if key(item) == key(value)]
        if len(same) == 1:
            return same[0]
        header = self.headers.get(column, column)
        near = nearest(value, present)
        listed = ", ".join(f'"{item}"' for item in present[:12]) + (", ..." if len(present) > 12 else "")
        remedy = (
            f'did you mean "{near}"?' if near and near != known else f"the column has {listed or 'no values'}"
        )
        problem = f"\"{tidy(value)}\" doesn't stand in the sheet's column {header!r}"
        raise InputProblem(Problem(str(self.path), None, header, value, problem, remedy))

    def __str__(self) -> str:
        counts = f"{len(self.repairs)} repairs, {len(self.problems)} problems"
        return f"{self.path.name}: {len(self.rows)} routines, {counts}"

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """The first rows as they were understood, then the problems."""
        first = self.rows.head(5).astype(object)
        cells = first.where(first.notna(), "").itertuples()
        faults = [
            (item.row or "", item.column or "", item.value or "", item.problem, item.remedy)
            for item in self.problems
        ]
        told = grid(("row", "column", "value", "problem", "remedy"), faults, "Problems") if faults else ""
        title = f"{self}. The first rows as understood; points and scores in thousandths"
        return grid(("row", *map(str, self.rows.columns)), cells, title) + told


def read_sheet(
    path: str | Path, codebook: str | Path | Codebook | None = None, worksheet: str | None = None
) -> Sheet:
    """Read an event sheet (csv, tsv, xlsx, xls, xlsb or ods), one row per routine.

    Parameters
    ----------
    path : path
        The file. What it is is told by its content, not by its name.
    codebook : path, Codebook or None
        None for the built-in codebook.
    worksheet : str or None
        Which worksheet of a workbook; otherwise the first one that has the required headers.

    Returns
    -------
    Sheet

    Raises
    ------
    InputProblem
        When the file as a whole can't be used; all that is wrong is told at once. A sheet without a technique
        column is read, since a plan may compare by another column; a problem says so.
    """
    path = Path(path)
    book = codebook if isinstance(codebook, Codebook) else read_codebook(codebook)
    data = read_bytes(path, "event sheet", LARGEST)
    grid, header = choose_grid(data, str(path), book, worksheet)
    return _Reading(path, hashlib.sha256(data).hexdigest(), book, grid, header).sheet()


class _Reading:
    """One pass over a grid whose header is known."""

    def __init__(self, path: Path, sha256: str, codebook: Codebook, grid: Grid, header: Header) -> None:
        self.path, self.sha256, self.codebook, self.grid, self.header = path, sha256, codebook, grid, header
        self.log = read.Log(str(path), [*grid.repairs, *header.repairs], [*grid.problems, *header.problems])
        self.lines: list[int] = []
        self.torn: set[int] = set()

    def sheet(self) -> Sheet:
        import pandas as pd

        self._sort_lines()
        width = max([len(self.header.names), *(len(self.grid.cells[i]) for i in self.lines)])
        headed = self.grid.cells[self.header.row]
        names = unique_names([*headed, *[""] * (width - len(headed))])
        own = [[self._own(i, j) for i in self.lines] for j in range(width)]
        kept = [
            j for j in range(width) if (j < len(headed) and headed[j].strip()) or any(map(str.strip, own[j]))
        ]
        index = pd.Index([i + 1 for i in self.lines], name="row", dtype="int64")
        original = pd.DataFrame(
            {names[j]: pd.Series(own[j], index=index, dtype=object) for j in kept}, index=index
        )
        values = self._variables(own)
        for j in kept:
            if j not in self.header.columns.values():
                name = names[j] if names[j] not in values else f"{names[j]} (2)"
                texts = [self._cell(i, j) for i in self.lines]
                values[name] = self._read(j, texts, read.free_text(self.codebook, name, texts, read.person))
        rows = pd.DataFrame(
            {
                name: pd.Series(column, index=index, dtype="Int64" if name in NUMERIC else object)
                for name, column in values.items()
            },
            index=index,
        )
        if not self.lines:
            self.log.problems.append(
                Problem(
                    str(self.path),
                    None,
                    None,
                    None,
                    "there is no routine below the header",
                    "code one row per routine",
                )
            )
        headers = {variable: names[place] for variable, place in self.header.columns.items()}
        return Sheet(
            path=self.path,
            sha256=self.sha256,
            worksheet=self.grid.worksheet,
            encoding=self.grid.encoding,
            delimiter=self.grid.delimiter,
            codebook=self.codebook,
            headers=headers,
            original=original,
            rows=rows,
            repairs=tuple(self.log.repairs),
            problems=tuple(self.log.problems),
        )

    def _own(self, i: int, j: int) -> str:
        line = self.grid.cells[i]
        return line[j] if j < len(line) else ""

    def _sort_lines(self) -> None:
        """Sort the lines below the header into routines and others; list the others, and the torn ones."""
        file, headed = str(self.path), self.grid.cells[self.header.row]
        for i, line in enumerate(self.grid.cells):
            text = " | ".join(tidy(cell) for cell in line if cell.strip())
            if i < self.header.row and text:
                self.log.repairs.append(
                    Repair(file, i + 1, None, text, "", "not a routine: above the header")
                )
            if i <= self.header.row:
                continue
            why = not_a_routine(line, self.header.columns, headed)
            if why:
                if text:
                    self.log.repairs.append(Repair(file, i + 1, None, text, "", f"not a routine: {why}"))
                continue
            self.lines.append(i)
            torn = self.grid.torn.get(i)
            if self.grid.delimiter and any(cell.strip() for cell in line[len(self.header.names) :]):
                torn = f"the row has more cells than the header: {len(line)} against {len(self.header.names)}"
            if torn:
                remedy = "put a text that holds the delimiter or a decimal comma in quotation marks, or save as xlsx"
                self.torn.add(i)
                self.log.problems.append(Problem(file, i + 1, None, text, torn, remedy, blocks=True))

    def _variables(self, own: Sequence[Sequence[str]]) -> dict[str, list[Any]]:
        values: dict[str, list[Any]] = {}
        for variable, place in self.header.columns.items():
            texts = [self._cell(i, place) for i in self.lines]
            values[variable] = self._read(place, texts, self._meaning(variable, texts))
        self._doubtful_bonus(values, own)
        return {variable: values[variable] for variable in VARIABLES if variable in values}

    def _cell(self, i: int, place: int) -> str:
        filled = self.grid.filled.get((i, place))
        if filled is None:
            return self._own(i, place)
        self.log.repairs.append(
            Repair(str(self.path), i + 1, self.header.names[place], "", filled, "merged cell")
        )
        return filled

    def _meaning(self, variable: str, texts: Sequence[str]) -> Any:
        book = self.codebook
        if variable == "landing":
            return read.landing(book)
        if variable == "technique":
            return read.technique(book, texts)
        if variable in NUMERIC:
            return read.points(book, variable)
        if variable == "date":
            return dates(texts)
        if variable in ("note", "clip", "routine", "start order"):
            return read.free_text(book, variable, texts, tidy)
        same = read.person if variable == "athlete" else key
        names = book.round_names if variable == "round" else None
        return read.free_text(book, variable, texts, same, names, needed=variable in ("meet", "athlete"))

    def _read(self, place: int, texts: Sequence[str], meaning: Any) -> list[Any]:
        header = (
            self.header.names[place] if place < len(self.header.names) else f"column {column_letter(place)}"
        )
        faults: dict[int, tuple[str, str]] = {}
        variable = next((name for name, at in self.header.columns.items() if at == place), "")
        for i in self.lines:
            if (i, place) in self.grid.faults:
                faults[i + 1] = (
                    self.grid.faults[i, place],
                    "open the file in a spreadsheet program and type the value",
                )
            elif variable in _NO_DATES and (i, place) in self.grid.dates:
                remedy = "the spreadsheet turned the entry into a date: format the column as text and type it again"
                faults[i + 1] = (
                    f"this is a date, not a {'number' if variable in NUMERIC else variable}",
                    remedy,
                )
        whole = [(i + 1, text) for i, text in zip(self.lines, texts, strict=True) if i not in self.torn]
        read_values = read.read_column(
            self.log, header, [row for row, _ in whole], [text for _, text in whole], meaning, faults
        )
        by_row = dict(zip((row for row, _ in whole), read_values, strict=True))
        return [by_row.get(i + 1) for i in self.lines]

    def _doubtful_bonus(self, values: dict[str, list[Any]], own: Sequence[Sequence[str]]) -> None:
        """Leave -0.1 beside "stuck" unread where the edition has a bonus of 0.1 and no other row shows minus signs.

        It may be the bonus for the stick or a fault of 0.1 written with a minus; nobody can tell without asking.
        """
        bonus = self.codebook.points.stuck_bonus.points
        if "deduction" not in values or "landing" not in values or not bonus:
            return
        place = self.header.columns["deduction"]
        negative = [
            k
            for k, text in enumerate(own[place])
            if tidy(text)[:1] in ("-", "−", "–") and values["deduction"][k]
        ]
        stuck = {grade.name for grade in self.codebook.grades if grade.stuck}
        doubtful = [k for k in negative if values["deduction"][k] in bonus and values["landing"][k] in stuck]
        if len(doubtful) < len(negative):
            return
        for k in doubtful:
            row, header = self.lines[k] + 1, self.header.names[place]
            values["deduction"][k] = None
            self.log.repairs[:] = [r for r in self.log.repairs if (r.row, r.column) != (row, header)]
            self.log.problems.append(
                Problem(
                    str(self.path),
                    row,
                    header,
                    own[place][k],
                    "this may be the bonus for a stick or a fault written with a minus",
                    "write 0 for the bonus, or the points lost without a minus",
                )
            )
