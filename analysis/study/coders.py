"""Pair the rows of two or more coders' sheets: the same routine, found by its label or by who showed it where and when.

A pair is made only where one row alone fits, seen from both sheets. Everything else is listed with the reason: a wrong
pair would be counted as a disagreement of the coders, or hide one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from analysis.shown import Shown
from analysis.study.cells import person
from analysis.study.joining import Joining
from analysis.study.problem import InputProblem, Problem
from analysis.study.sheet import Sheet
from analysis.study.text import key, tidy
from analysis.study.values import cell_text, plain

Who = Literal["same coder", "different coders", "mixed", "not known"]

_CODES = ("technique", "landing", "deduction", "other faults")
_ABSENT = "no other sheet has codes for it"
_NOT_CODED = "it has no codes yet"


@dataclass(frozen=True)
class Routine(Shown):
    """One routine that stands in at least two sheets.

    Parameters
    ----------
    rows : tuple of (int or None)
        Its row number in each sheet; None where the sheet doesn't have it.
    by : tuple of str
        The columns by which the rows were found to be one routine.
    weaker : bool
        True where no routine label joined them.
    label : str
        How a person finds it: the routine's label, or else athlete, meet and round.
    clip : str
        The reference of its clip, "" where no sheet has one.
    """

    rows: tuple[int | None, ...]
    by: tuple[str, ...]
    weaker: bool
    label: str
    clip: str


@dataclass(frozen=True)
class Unpaired(Shown):
    """A row that was paired with no other, and why.

    `kind` is "absent" where no other sheet has codes for the routine, "not coded" where no sheet has, "coded elsewhere"
    where another sheet has and this row is blank, and "doubt" where it may belong to a row of another sheet.
    """

    sheet: int
    row: int
    label: str
    why: str
    kind: Literal["absent", "not coded", "coded elsewhere", "doubt"]


@dataclass(frozen=True, eq=False)
class Pairing(Shown):
    """Two or more sheets, routine by routine.

    `names` says which sheet is which, `coders` who coded it (the sheet's name where it doesn't say), and `who` whether
    one coder coded twice or several did.
    """

    sheets: tuple[Sheet, ...]
    names: tuple[str, ...]
    coders: tuple[str, ...]
    who: Who
    routines: tuple[Routine, ...]
    unpaired: tuple[Unpaired, ...]
    notes: tuple[str, ...]

    def codes(self, variable: str) -> tuple[list[str | int | None], ...]:
        """Return each sheet's codes in the order of `routines`: text or thousandths, None where there is none.

        A landing that a coder calls "not seen" stays that text. Two spellings of a technique are one code.
        """
        spelled: dict[str, str] = {}
        found = []
        for place, sheet in enumerate(self.sheets):
            column = dict(sheet.rows[variable].items()) if variable in sheet.rows else {}
            values = [plain(column.get(routine.rows[place])) for routine in self.routines]
            if variable == "technique":
                values = [None if v is None else spelled.setdefault(key(str(v)), str(v)) for v in values]
            found.append(values)
        return tuple(found)

    def __str__(self) -> str:
        return f"{', '.join(self.coders)}: {len(self.routines)} routines paired, {len(self.unpaired)} rows not paired"

    __repr__ = __str__


def pair(*sheets: Sheet) -> Pairing:
    """Pair the rows of two or more sheets that hold one row per routine.

    A row belongs to the routine that bears its label, unless meet, round, athlete, apparatus, start order or date then
    contradict each other. Without a label it belongs to the one routine with its meet, round, athlete and apparatus.
    Where no label stands in both sheets, labels are taken to be each coder's own and are ignored. Rows that can't be
    used in their own sheet (the same routine twice, a torn line) and rows without any code are not paired.

    Parameters
    ----------
    sheets : Sheet
        Read with one codebook, the first coder's first.

    Returns
    -------
    Pairing

    Raises
    ------
    InputProblem
        When the sheets were read with different landing categories.
    """
    if len(sheets) < 2:
        raise ValueError(f"{len(sheets)} sheet was given; coders are compared from two sheets on")
    names = _sheet_names(sheets)
    _one_codebook(sheets, names)
    joining = Joining(sheets, names)
    for place in range(1, len(sheets)):
        joining.add(place)
    coded = [_coded(sheet) for sheet in sheets]
    routines: list[Routine] = []
    elsewhere: set[tuple[int, int]] = set()
    for slot in joining.slots:
        own = {place: row for place, row in slot.rows.items() if row in coded[place]}
        if own:
            elsewhere.update(slot.rows.items() - own.items())
        if len(own) > 1:
            label = _first_known(sheets, slot.rows, _label)
            clip = _first_known(sheets, slot.rows, lambda sheet, row: cell_text(sheet, row, "clip"))
            rows = tuple(own.get(place) for place in range(len(sheets)))
            routines.append(Routine(rows, slot.by, slot.weaker, label, clip))
    paired = {(place, row) for routine in routines for place, row in enumerate(routine.rows)}
    unpaired = [
        Unpaired(place, row, _label(sheet, row), *_why(place, row, joining.reasons, coded[place], elsewhere))
        for place, sheet in enumerate(sheets)
        for row in map(int, sheet.rows.index)
        if (place, row) not in paired
    ]
    who, coders = _coders(sheets, names, routines)
    return Pairing(tuple(sheets), names, coders, who, tuple(routines), tuple(unpaired), tuple(joining.notes))


def _coded(sheet: Sheet) -> set[int]:
    """Return the rows in which anything was coded: the others wait for their coder."""
    columns = [sheet.original[sheet.headers[name]] for name in _CODES if name in sheet.headers]
    return {int(row) for column in columns for row, text in column.items() if tidy(str(text))}  # type: ignore[call-overload]


def _why(
    place: int,
    row: int,
    reasons: Mapping[tuple[int, int], str],
    coded: set[int],
    elsewhere: set[tuple[int, int]],
) -> tuple[str, Literal["absent", "not coded", "coded elsewhere", "doubt"]]:
    if row not in coded:
        return _NOT_CODED, "coded elsewhere" if (place, row) in elsewhere else "not coded"
    why = reasons.get((place, row))
    return (_ABSENT, "absent") if why is None else (why, "doubt")


def _label(sheet: Sheet, row: int) -> str:
    own = cell_text(sheet, row, "routine")
    parts = [cell_text(sheet, row, name) for name in ("athlete", "meet", "round")]
    return own or ", ".join(part for part in parts if part) or f"row {row}"


def _first_known(sheets: Sequence[Sheet], rows: Mapping[int, int], read: Callable[[Sheet, int], str]) -> str:
    return next((text for place, row in sorted(rows.items()) if (text := read(sheets[place], row))), "")


def _sheet_names(sheets: Sequence[Sheet]) -> tuple[str, ...]:
    """Return a name for each sheet: its file's, with worksheet or number where files are called alike."""
    names = [sheet.path.name for sheet in sheets]
    if len(set(names)) < len(names):
        named = [f", worksheet {sheet.worksheet!r}" if sheet.worksheet else "" for sheet in sheets]
        names = [f"{name}{more}" for name, more in zip(names, named, strict=True)]
    if len(set(names)) < len(names):
        names = [f"{name} (sheet {place})" for place, name in enumerate(names, start=1)]
    return tuple(names)


def _one_codebook(sheets: Sequence[Sheet], names: Sequence[str]) -> None:
    grades = [tuple((g.name, g.stuck, g.fall) for g in sheet.codebook.grades) for sheet in sheets]
    problems = [
        Problem(
            str(sheets[place].path),
            None,
            None,
            None,
            f"{names[place]} was read with other landing categories than {names[0]}",
            "read all sheets with one codebook",
        )
        for place, own in enumerate(grades)
        if own != grades[0]
    ]
    if problems:
        raise InputProblem(problems)


def _coders(
    sheets: Sequence[Sheet], names: Sequence[str], routines: Sequence[Routine]
) -> tuple[Who, tuple[str, ...]]:
    """Return whether one coder or several coded the paired routines, and a name for each sheet's coder."""
    kinds: set[Who] = set()
    shown: list[dict[str, str]] = [{} for _ in sheets]
    for routine in routines:
        people = []
        for place, row in enumerate(routine.rows):
            if row is not None:
                name = cell_text(sheets[place], row, "coder")
                shown[place].setdefault(person(name), name)
                people.append(person(name))
        several = len(set(people))
        if "" in people:
            kinds.add("not known")
        elif several == 1:
            kinds.add("same coder")
        else:
            kinds.add("different coders" if several == len(people) else "mixed")
    who: Who = kinds.pop() if len(kinds) == 1 else "mixed" if kinds else "not known"
    called = [
        " and ".join(found.values()) if 0 < len(found) < 3 and "" not in found else names[place]
        for place, found in enumerate(shown)
    ]
    if len(set(called)) < len(called):
        called = [f"{name}, coding {place}" for place, name in enumerate(called, start=1)]
    return who, tuple(called)
