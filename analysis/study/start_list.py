"""Read a start list, whoever made it: meet, round, start order and athlete, before anything is coded."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from analysis.study.codebook import Codebook
from analysis.study.grid import Grid
from analysis.study.header import Header, find_header
from analysis.study.lines import not_a_routine
from analysis.study.problem import InputProblem, Problem
from analysis.study.source import refuse_other_kinds
from analysis.study.text import tidy
from analysis.study.text_grid import text_grid
from analysis.study.toml_file import read_bytes
from analysis.study.workbook_columns import WHO
from analysis.study.workbook_grid import is_workbook, worksheets

MOST = 2000
"""Rows of one start list: a workbook with more is better made meet by meet."""
_LARGEST = 20_000_000
_TAKEN = (*WHO, "date", "apparatus", "clip", "routine")


def read_start_list(path: str | Path, codebook: Codebook) -> tuple[dict[str, str], ...]:
    """Read a start list (csv, tsv, xlsx, ods).

    Parameters
    ----------
    path : path
        A table with a header that names at least the athlete and one of meet, round and start order. Other columns are
        left out, technique and scores among them: what is coded is coded from the video.
    codebook : Codebook
        Whose other names for headers are understood.

    Returns
    -------
    tuple of dict
        {variable: text} for each line that names an athlete, in the order of the list.

    Raises
    ------
    InputProblem
        When the file can't be read, has no such header, no athlete or more than 2,000 rows.
    """
    path = Path(path)
    file = str(path)
    data = read_bytes(path, "start list", _LARGEST)
    refuse_other_kinds(data, file)
    # The codebook's own headers are those of the workbook, not of a list that somebody else made.
    usual = replace(codebook, columns={})
    grids = worksheets(data, file, None) if is_workbook(data) else [text_grid(data, file, usual)]
    found: tuple[Grid, Header] | None = None
    for grid in grids:
        header = find_header(grid.cells, usual, file)
        if header is not None and "athlete" in header.columns:
            found = (grid, header)
            break
    if found is None:
        remedy = "the header needs athlete and one of meet, round, start order"
        raise InputProblem(
            Problem(file, None, None, None, "no line names the columns of a start list", remedy)
        )
    grid, header = found
    problems = [item for item in header.problems if item.column is not None and item.blocks]
    routines, torn = _routines(grid, header)
    problems += [
        Problem(file, i + 1, None, None, grid.torn[i], "put such a text in quotation marks, or save as xlsx")
        for i in torn
    ]
    if not routines:
        problems.append(
            Problem(file, None, None, None, "no line names an athlete", "fill the athlete column")
        )
    elif len(routines) > MOST:
        problem = f"the list has {len(routines):,} routines, more than a workbook takes ({MOST:,})"
        problems.append(Problem(file, None, None, None, problem, "make one workbook for each meet"))
    if problems:
        raise InputProblem(problems)
    return tuple(routines)


def _routines(grid: Grid, header: Header) -> tuple[list[dict[str, str]], list[int]]:
    """The lines that name an athlete, and those that are torn."""
    columns = {name: place for name, place in header.columns.items() if name in _TAKEN}
    routines, torn = [], []
    for i, own in enumerate(grid.cells):
        line = [grid.filled.get((i, place), cell) for place, cell in enumerate(own)]
        if i <= header.row or not_a_routine(line, header.columns, grid.cells[header.row]):
            continue
        if i in grid.torn:
            torn.append(i)
            continue
        cells = {name: line[place] if place < len(line) else "" for name, place in columns.items()}
        routine = {name: tidy(text) for name, text in cells.items() if tidy(text)}
        if "athlete" in routine:
            routines.append(routine)
    return routines, torn
