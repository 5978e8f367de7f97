"""Find the line of headers in a grid and say which column holds which variable."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.study.codebook import VARIABLES, Codebook
from analysis.study.grid import column_letter
from analysis.study.problem import Problem, Repair
from analysis.study.text import Names, key, nearest, tidy

LINES_SEARCHED = 200
"""How far down the header may stand; titles and notes above it are not routines."""

_BRACKETED = re.compile(r"\s*[\(\[][^()\[\]]*[\)\]]\s*$")
_SPARE = ("note", "clip", "coder", "apparatus", "date", "start order")
"""Where the first of two columns is taken and the other kept beside it; elsewhere the sheet is refused."""
_NEEDED = ("meet", "athlete", "technique")


@dataclass(frozen=True)
class Header:
    """Where the headers stand (row from 0), which column holds each variable, and what was wrong or repaired.

    `names` are the headers of all columns, made unique; `missing` says which required variables aren't there.
    """

    row: int
    names: tuple[str, ...]
    columns: dict[str, int]
    missing: tuple[str, ...]
    problems: tuple[Problem, ...]
    repairs: tuple[Repair, ...]

    @property
    def complete(self) -> bool:
        """Whether every required variable has a column."""
        return not self.missing


def find_header(cells: Sequence[Sequence[str]], codebook: Codebook, file: str) -> Header | None:
    """Return the header: the first line that has all required headers, else the line with most of them.

    None where no line has two known headers. A workbook's horizontally merged cells must not be filled in `cells`.
    """
    names = codebook.header_names
    mapped: dict[str, list[str]] = {}
    for variable, header in codebook.columns.items():
        mapped.setdefault(key(header), []).append(variable)
    best: tuple[int, int] | None = None
    seen = 0
    for place, line in enumerate(cells):
        if not any(cell.strip() for cell in line):
            continue
        seen += 1
        if seen > LINES_SEARCHED:
            break
        found = {variable for cell in line for variable in _variables(cell, names, mapped)}
        if not _missing(found):
            best = (len(found), place)
            break
        if len(found) >= 2 and (best is None or len(found) > best[0]):
            best = (len(found), place)
    return None if best is None else _header(cells[best[1]], best[1], codebook, names, mapped, file)


def _missing(found: set[str] | dict[str, int]) -> tuple[str, ...]:
    missing = [name for name in _NEEDED if name not in found]
    if "landing" not in found and "deduction" not in found:
        missing.append("landing or deduction")
    return tuple(missing)


def _variables(cell: str, names: Names, mapped: dict[str, list[str]]) -> list[str]:
    if not cell.strip():
        return []
    if key(cell) in mapped:
        return mapped[key(cell)]
    found = names.find(cell)
    if found is None:
        found = names.find(_BRACKETED.sub("", cell)) if _BRACKETED.search(cell) else None
    return [] if found is None else [found]


def _header(
    line: Sequence[str],
    row: int,
    codebook: Codebook,
    names: Names,
    mapped: dict[str, list[str]],
    file: str,
) -> Header:
    claims: dict[str, list[int]] = {}
    for place, cell in enumerate(line):
        for variable in _variables(cell, names, mapped):
            claims.setdefault(variable, []).append(place)
    problems: list[Problem] = []
    repairs: list[Repair] = []
    columns: dict[str, int] = {}
    for variable, places in claims.items():
        exact = [
            place for place in places if key(line[place]) == key(codebook.columns.get(variable, variable))
        ]
        chosen = exact or places
        if len(chosen) > 1:
            shown = " and ".join(column_letter(place) for place in chosen)
            problems.append(
                Problem(
                    file,
                    row + 1,
                    line[chosen[0]].strip(),
                    None,
                    f"columns {shown} are all headed as {variable}",
                    "rename or remove all but one",
                    blocks=variable not in _SPARE,
                )
            )
        columns[variable] = chosen[0]
    for variable, place in _slips(line, claims, codebook).items():
        columns[variable] = place
    for variable, place in columns.items():
        wanted = codebook.columns.get(variable, variable)
        if tidy(line[place]) != wanted and key(line[place]) not in mapped:
            repairs.append(Repair(file, row + 1, line[place].strip(), line[place], variable, "header"))
    for variable, header in codebook.columns.items():
        if variable not in columns:
            near = nearest(header, [cell for cell in line if cell.strip()])
            remedy = f'did you mean "{tidy(near)}"?' if near else "correct it in the codebook's [columns]"
            problems.append(
                Problem(
                    file,
                    row + 1,
                    header,
                    None,
                    f"the codebook takes {variable} from this header, which isn't there",
                    remedy,
                    blocks=True,
                )
            )
    ordered = {variable: columns[variable] for variable in VARIABLES if variable in columns}
    return Header(row, unique_names(line), ordered, _missing(ordered), tuple(problems), tuple(repairs))


def _slips(line: Sequence[str], claims: dict[str, list[int]], codebook: Codebook) -> dict[str, int]:
    """Required headers with one slip of the keys ("athelete"), where no other column could be meant."""
    from rapidfuzz.distance import OSA

    taken = {place for places in claims.values() for place in places}
    found = {}
    for variable in ("athlete", "technique", "landing", "deduction"):
        if variable in claims or variable in codebook.columns:
            continue
        near = [
            place
            for place, cell in enumerate(line)
            if place not in taken and OSA.distance(key(cell), variable, score_cutoff=1) <= 1
        ]
        if len(near) == 1:
            found[variable] = near[0]
    return found


def unique_names(line: Sequence[str]) -> tuple[str, ...]:
    """Return the headers of a line made unique; a blank one is called by its column's letter."""
    names: list[str] = []
    used: set[str] = set()
    for place, cell in enumerate(line):
        name = tidy(cell) or f"column {column_letter(place)}"
        unique, times = name, 1
        while unique in used:
            times += 1
            unique = f"{name} ({times})"
        used.add(unique)
        names.append(unique)
    return tuple(names)
