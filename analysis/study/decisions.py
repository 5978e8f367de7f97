"""The list of disagreements between two coders: made, laid out to be filled in, and read back.

A decision belongs to a routine and a variable. It is read back by the rows of the two sheets, and only where both
sheets still hold the codes that were decided on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.shown import Shown
from analysis.study import cells as read
from analysis.study.codebook import NOT_SEEN
from analysis.study.coders import Pairing, Routine
from analysis.study.grid import Grid
from analysis.study.number_text import exact
from analysis.study.problem import InputProblem, Problem
from analysis.study.text import key, tidy
from analysis.study.text_grid import text_grid
from analysis.study.toml_file import read_bytes
from analysis.study.values import cell_text
from analysis.study.workbook_grid import is_workbook, worksheets

CODED = ("technique", "landing", "deduction", "other faults")
"""Coded from the video: a decision is needed where the codes differ or one coder has none."""
COPIED = ("difficulty", "execution")
"""Copied from the score sheet: a decision is needed only where both have a value and the values differ."""
COLUMNS = (
    "routine",
    "meet",
    "round",
    "athlete",
    "clip",
    "variable",
    "first code",
    "second code",
    "agreed",
    "decided by",
    "why",
    "first row",
    "second row",
)
"""The columns of the list. "agreed", "decided by" and "why" are to be filled in; the rest says what about."""
_NEEDED = ("variable", "first code", "second code", "agreed", "first row", "second row")


@dataclass(frozen=True)
class Decision(Shown):
    """One disagreement, and what became of it.

    Parameters
    ----------
    routine : Routine
    variable : str
    first, second : str
        The two codes as text, "" where a coder has none.
    agreed : str or None
        None while it is open; "" where it was decided that nothing can be coded.
    by, why : str
        Who decided, and what they noted.
    """

    routine: Routine
    variable: str
    first: str
    second: str
    agreed: str | None = None
    by: str = ""
    why: str = ""

    @property
    def takes(self) -> str:
        """Whose code was taken: "first", "second", "another code", or "open"."""
        if self.agreed is None:
            return "open"
        return {self.first: "first", self.second: "second"}.get(self.agreed, "another code")


def disagreements(pairing: Pairing) -> tuple[Decision, ...]:
    """Return every code on which the first two sheets differ, routine by routine, as an open decision."""
    both = [name for name in (*CODED, *COPIED) if all(name in sheet.rows for sheet in pairing.sheets[:2])]
    columns = {name: pairing.codes(name) for name in both}
    found = []
    for place, routine in enumerate(pairing.routines):
        for name, (first, second, *_) in columns.items():
            one, two = code_text(first[place]), code_text(second[place])
            if name == "landing":
                # A cell that can't be read and a landing that wasn't seen are both no code.
                one, two = one or NOT_SEEN, two or NOT_SEEN
            if one != two and (name in CODED or (one and two)):
                found.append(Decision(routine, name, one, two))
    return tuple(found)


def code_text(value: str | int | None) -> str:
    """Return a code as text: points for thousandths, "" for none."""
    if value is None:
        return ""
    return value if isinstance(value, str) else read.points_text(value)


def decision_lines(pairing: Pairing, decisions: Sequence[Decision]) -> list[list[str]]:
    """Return header and lines of the list; the coders' names stand in the header."""
    first, second = pairing.coders[:2]
    header = [
        {"first code": f"first code ({first})", "second code": f"second code ({second})"}.get(n, n)
        for n in COLUMNS
    ]
    lines = [header]
    for item in decisions:
        row = item.routine.rows[0] or 0
        who = [cell_text(pairing.sheets[0], row, name) for name in ("meet", "round", "athlete")]
        codes = [item.first, item.second, item.agreed or "", item.by, item.why]
        lines.append(
            [
                item.routine.label,
                *who,
                item.routine.clip,
                item.variable,
                *codes,
                *map(str, item.routine.rows[:2]),
            ]
        )
    return lines


def read_decisions(path: Path, pairing: Pairing, still: Sequence[Decision]) -> tuple[Decision, ...]:
    """Return the disagreements `still` there, each with what the file says was agreed.

    Raises
    ------
    InputProblem
        When the file is no such list, or a line that was filled in names no disagreement of these sheets, rests on
        codes that have changed since, stands twice, or holds a code that the codebook doesn't know.
    """
    grid, header, columns = _list(path, pairing)
    meanings = {name: _reader(pairing, name) for name in {item.variable for item in still}}
    places = {(*item.routine.rows[:2], item.variable): i for i, item in enumerate(still)}
    found, problems, seen = list(still), [], set()

    def fault(column: str, value: str, problem: str, remedy: str) -> None:
        problems.append(Problem(str(path), row + 1, column, value, problem, remedy))

    for row in range(header + 1, len(grid.cells)):
        cells = {
            name: tidy(grid.cells[row][at]) if at < len(grid.cells[row]) else ""
            for name, at in columns.items()
        }
        if not cells["agreed"]:
            continue
        at = (_row(cells["first row"]), _row(cells["second row"]), key(cells["variable"]))
        if at not in places:
            fault(
                "variable",
                cells["variable"],
                "these rows don't disagree on it",
                "delete the line, or write the list anew",
            )
            continue
        item = still[places[at]]
        meaning = meanings[item.variable]
        changed = [
            (name, now)
            for name, now in (("first code", item.first), ("second code", item.second))
            if _code(meaning(cells[name]), item.variable) != now
        ]
        for name, now in changed:
            fault(
                name,
                cells[name],
                f'the sheet now has "{now}"',
                "decide anew on the code that the sheet has now",
            )
        cell = meaning(cells["agreed"])
        if cell.problem:
            fault("agreed", cells["agreed"], cell.problem, cell.remedy)
        if at in seen:
            fault(
                "variable", cells["variable"], "this disagreement is decided twice", "delete one of the lines"
            )
        seen.add(at)
        by, why = cells.get("decided by", ""), cells.get("why", "")
        found[places[at]] = replace(item, agreed=_code(cell, item.variable), by=by, why=why)
    if problems:
        raise InputProblem(problems)
    return tuple(found)


def _code(cell: read.Cell, variable: str) -> str:
    text = code_text(cell.value)
    return text or (NOT_SEEN if variable == "landing" else "")


def _row(text: str) -> int | None:
    number = exact(text)
    return int(number) if number is not None and number == int(number) else None


def _reader(pairing: Pairing, variable: str) -> Callable[[str], read.Cell]:
    """Return what reads a code of this variable as the sheets' own reader does."""
    book = pairing.sheets[0].codebook
    if variable == "landing":
        return read.landing(book)
    if variable == "technique":
        shown = [str(code) for codes in pairing.codes("technique") for code in codes if code is not None]
        return read.technique(book, shown)
    return read.points(book, variable)


def _list(path: Path, pairing: Pairing) -> tuple[Grid, int, dict[str, int]]:
    """Return the grid that holds the list, the place of its header, and the place of each column."""
    data = read_bytes(path, "list of decisions", 20_000_000)
    file = str(path)
    grids = (
        list(worksheets(data, file, None))
        if is_workbook(data)
        else [text_grid(data, file, pairing.sheets[0].codebook)]
    )
    for grid in grids:
        for place, line in enumerate(grid.cells[:200]):
            heads = [key(cell.partition("(")[0]) for cell in line]
            if all(name in heads for name in _NEEDED):
                return grid, place, {name: heads.index(name) for name in COLUMNS if name in heads}
    problem = "no line has the headers of a list of disagreements"
    remedy = f"it needs {', '.join(_NEEDED)}: write the list anew and fill in its column agreed"
    raise InputProblem(Problem(file, None, None, None, problem, remedy))
