"""From the bytes of a file to the one grid that holds the table, with its header."""

from __future__ import annotations

from analysis.study.codebook import Codebook
from analysis.study.grid import Grid
from analysis.study.header import Header, find_header
from analysis.study.problem import InputProblem, Problem
from analysis.study.text import nearest, tidy
from analysis.study.text_grid import text_grid
from analysis.study.workbook_grid import is_workbook, worksheets

_NEEDED = "meet, athlete, technique, and landing or deduction"
_OTHER_KINDS = (
    (b"%PDF", "a PDF"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\x1f\x8b", "a packed file"),
    (b"SQLite format", "a data base"),
    (b"{\\rtf", "a text document"),
)


def choose_grid(data: bytes, file: str, codebook: Codebook, worksheet: str | None) -> tuple[Grid, Header]:
    """Return the table's grid and its header, or raise InputProblem with all that is wrong."""
    refuse_other_kinds(data, file)
    if is_workbook(data):
        grid, header = _worksheet(data, file, codebook, worksheet)
    else:
        grid = text_grid(data, file, codebook)
        header = find_header(grid.cells, codebook, file)
        if worksheet is not None:
            remedy = "leave worksheet out of the plan"
            grid.problems.append(
                Problem(file, None, None, worksheet, "a text file has no worksheets", remedy)
            )
    if grid is None or header is None:
        problem = "no line names the columns" + (
            "" if grid is None or any(grid.cells) else ": the sheet is empty"
        )
        raise InputProblem(Problem(file, None, None, None, problem, f"the header needs {_NEEDED}"))
    problems = [item for item in header.problems if item.blocks]
    problems += [_missing(name, grid, header, file) for name in header.missing if name != "technique"]
    without_technique = "technique" in header.missing
    if problems:
        if without_technique:
            problems.append(_missing("technique", grid, header, file))
        raise InputProblem(problems)
    if without_technique:
        grid.problems.append(_missing("technique", grid, header, file))
    return grid, header


def _missing(name: str, grid: Grid, header: Header, file: str) -> Problem:
    spare = [
        tidy(cell)
        for place, cell in enumerate(grid.cells[header.row])
        if cell.strip() and place not in header.columns.values()
    ]
    near = next(
        (found for part in name.split(" or ") if (found := nearest(part, spare, at_least=75.0))), None
    )
    remedy = f'did you mean "{near}"? Rename it' if near else f"the header needs {_NEEDED}: name it so"
    remedy += ", or say in the codebook's [columns] which header it is"
    return Problem(file, header.row + 1, name, None, f"there is no column for {name}", remedy)


def _worksheet(
    data: bytes, file: str, codebook: Codebook, worksheet: str | None
) -> tuple[Grid | None, Header | None]:
    """Choose the first worksheet with all required headers, else the one with most; say which others have them too."""
    best: tuple[Grid, Header] | None = None
    others: list[str] = []
    empty: Grid | None = None
    for grid in worksheets(data, file, worksheet):
        empty = empty or grid
        header = find_header(grid.cells, codebook, file)
        if header is None:
            continue
        if best is not None and best[1].complete:
            if header.complete:
                others.append(str(grid.worksheet))
        elif best is None or header.complete or len(header.columns) > len(best[1].columns):
            best = (grid, header)
    if best is None:
        return empty, None
    if others:
        names = ", ".join(repr(name) for name in others)
        best[0].problems.append(
            Problem(
                file,
                None,
                None,
                None,
                f"only worksheet {best[0].worksheet!r} is read, and {names} have the headers too",
                "name the one you want (worksheet = in the plan), or put all routines on one worksheet",
            )
        )
    return best


def refuse_other_kinds(data: bytes, file: str) -> None:
    """Raise InputProblem where the bytes are those of a picture, a PDF, a web page or the like."""
    start = data[:2000].lstrip(b"\xef\xbb\xbf \t\r\n")
    kind = next((name for mark, name in _OTHER_KINDS if start.startswith(mark)), None)
    lowered = start[:600].lower()
    if lowered.startswith((b"<!doctype html", b"<html", b"<table")) or b"<html" in lowered:
        kind = "a web page"
    elif lowered.startswith(b"<?xml") or b"<workbook" in lowered:
        kind = "an XML file"
    if kind is not None:
        raise InputProblem(
            Problem(
                file,
                None,
                None,
                None,
                f"this is {kind}, not a sheet",
                "save the table as csv or xlsx and name that file",
            )
        )
