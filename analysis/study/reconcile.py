"""From two coders' sheets to one agreed sheet: what both coded alike, what was decided and by whom, what is still open.

Nothing is settled by a rule. Where the codes differ, or one coder has none, a person decides and signs; until then the
landing is "not seen" and the other codes are blank.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from analysis.shown import Shown
from analysis.study.cells import person
from analysis.study.codebook import NOT_SEEN, NUMERIC, VARIABLES
from analysis.study.coders import Pairing, Routine, Unpaired, pair
from analysis.study.decisions import Decision, code_text, disagreements, read_decisions
from analysis.study.number_text import read_thousandths
from analysis.study.problem import InputProblem, Problem
from analysis.study.sheet import Sheet
from analysis.study.text import key, tidy
from analysis.study.values import plain

AGREEMENT = "agreement"
"""The column of the agreed sheet that says how each row came about."""


@dataclass(frozen=True, eq=False)
class Reconciled(Shown):
    """An agreed sheet with its history.

    `sheet` holds the first coder's rows in their order, double-coded ones with the agreed codes, then the rows that
    only the second coder has; its last column says how each row came about. `double` lists the rows of `sheet` that
    both coded, in the order of `pairing.routines`. `decisions` are all disagreements in that order, open ones
    included; `left_out` are the second sheet's rows that could not be paired with certainty and may repeat a routine,
    and the first sheet's lines that are torn.
    """

    pairing: Pairing
    sheet: Sheet
    double: tuple[int, ...]
    decisions: tuple[Decision, ...]
    left_out: tuple[Unpaired, ...]

    @property
    def open(self) -> tuple[Decision, ...]:
        """The disagreements that nobody has decided."""
        return tuple(decision for decision in self.decisions if decision.agreed is None)

    @property
    def unsigned(self) -> tuple[Decision, ...]:
        """The decisions that don't say who took them."""
        return tuple(item for item in self.decisions if item.agreed is not None and not item.by)

    def __str__(self) -> str:
        made = f"{len(self.double)} of {len(self.sheet.rows)} routines coded by both"
        return f"{made}, {len(self.decisions)} disagreements, {len(self.open)} of them open"

    __repr__ = __str__


def reconcile(sheet_a: Sheet, sheet_b: Sheet, decisions: str | Path | None = None) -> Reconciled:
    """Bring two coders' sheets together; with `decisions`, read back what was decided.

    Parameters
    ----------
    sheet_a, sheet_b : Sheet
        The first coder's sheet and the second's, read with one codebook.
    decisions : path or None
        The list of disagreements as it was written for these two sheets, with its column "agreed" filled in.

    Returns
    -------
    Reconciled

    Raises
    ------
    InputProblem
        When the decisions can't be read or don't belong to these sheets; every line at fault is named.
    """
    pairing = pair(sheet_a, sheet_b)
    headers = _headers(pairing)
    found = disagreements(pairing)
    if decisions is not None:
        found = read_decisions(Path(decisions), pairing, found)
    return _agreed(pairing, found, headers)


def _headers(pairing: Pairing) -> dict[str, str]:
    """Return the header of each variable in the agreed sheet: the one under which the codebook looks for it."""
    book = pairing.sheets[0].codebook
    there = [name for name in VARIABLES if any(name in sheet.rows for sheet in pairing.sheets)]
    headers = {name: book.columns.get(name, name) for name in there}
    shared = [name for name, header in headers.items() if list(headers.values()).count(header) > 1]
    if shared:
        listed = " and ".join(shared)
        problem = f"the codebook reads {listed} from one column, so they can't be agreed on one by one"
        remedy = "give each variable a column of its own, and take it out of the codebook's [columns]"
        raise InputProblem(Problem(str(book.path or book.name), None, "columns", None, problem, remedy))
    return headers


def _agreed(pairing: Pairing, decisions: Sequence[Decision], headers: dict[str, str]) -> Reconciled:
    of_row = {routine.rows[0]: routine for routine in pairing.routines}
    taken: dict[Routine, list[Decision]] = {routine: [] for routine in pairing.routines}
    for decision in decisions:
        taken[decision.routine].append(decision)
    first, second = (_records(sheet) for sheet in pairing.sheets[:2])
    lines: list[_Line] = []
    double: dict[Routine, int] = {}
    # A blank row that the second coder filled isn't needed, and a torn line can't be copied cell by cell.
    torn = {problem.row for problem in pairing.sheets[0].problems if problem.blocks}
    waiting = {item.row for item in pairing.unpaired if item.sheet == 0 and item.kind == "coded elsewhere"}
    for row, record in first.items():
        routine = of_row.get(row)
        if row in waiting or row in torn:
            continue
        if routine is None:
            lines.append(_Line(record, f"{pairing.coders[0]} only", (0, row)))
            continue
        double[routine] = len(lines) + 2
        other = second[int(routine.rows[1] or 0)]
        lines.append(_Line(_together(record, other, taken[routine]), _how(taken[routine]), None))
    alone = [item for item in pairing.unpaired if item.sheet == 1]
    spelled = _spellings(first.values())
    for item in alone:
        if item.kind == "absent":
            record = {
                name: spelled.get((name, _same(name, value)), value)
                for name, value in second[item.row].items()
            }
            lines.append(_Line(record, f"{pairing.coders[1]} only", (1, item.row)))
    return Reconciled(
        pairing,
        _sheet(pairing, lines, headers),
        tuple(double[routine] for routine in pairing.routines),
        tuple(decisions),
        tuple(
            item
            for item in pairing.unpaired
            if (item.row in torn if item.sheet == 0 else item.kind == "doubt")
        ),
    )


def _records(sheet: Sheet) -> dict[int, dict[str, Any]]:
    columns = [str(name) for name in sheet.rows.columns]
    lines = sheet.rows.itertuples(name=None)
    return {int(row): dict(zip(columns, line, strict=True)) for row, *line in lines}


@dataclass(frozen=True)
class _Line:
    """One row of the agreed sheet; `source` is (sheet, row) where one coder alone has the routine."""

    record: dict[str, Any]
    how: str
    source: tuple[int, int] | None


def _together(first: dict[str, Any], second: dict[str, Any], decisions: Sequence[Decision]) -> dict[str, Any]:
    """Return one record for a routine that both coded: who and where from the first, codes as agreed."""
    record = {
        name: first[name] if plain(first.get(name)) is not None else second.get(name)
        for name in dict.fromkeys([*first, *second])
    }
    for name, between in (("note", " | "), ("coder", " and ")):
        both = [str(part[name]) for part in (first, second) if plain(part.get(name)) is not None]
        if name in record:
            record[name] = between.join(dict.fromkeys(both)) or None
    for item in decisions:
        record[item.variable] = None if not item.agreed else item.agreed
        if item.variable in NUMERIC and item.agreed:
            record[item.variable] = read_thousandths(item.agreed).thousandths
    return record


def _how(decisions: Sequence[Decision]) -> str:
    """Say how the codes of a double-coded row came about."""
    said = [
        f"{item.variable} open"
        if item.agreed is None
        else f"{item.variable} decided by {item.by or 'nobody named'}"
        for item in decisions
    ]
    return "; ".join(said) or "both agree"


def _spellings(records: Iterable[dict[str, Any]]) -> dict[tuple[str, str], str]:
    """Return how the first sheet spells its meets, athletes, rounds and techniques, so that none becomes two."""
    return {
        (name, _same(name, record[name])): record[name]
        for record in records
        for name in ("meet", "athlete", "round", "technique", "apparatus")
        if isinstance(record.get(name), str)
    }


def _same(name: str, value: Any) -> str:
    return person(str(value)) if name == "athlete" else key(str(value))


def _sheet(pairing: Pairing, lines: Sequence[_Line], headers: dict[str, str]) -> Sheet:
    """Return the lines as a sheet that reads back from csv as it is."""
    import pandas as pd

    sheets = pairing.sheets[:2]
    extra = [str(name) for sheet in sheets for name in sheet.rows.columns if name not in VARIABLES]
    names = list(dict.fromkeys([*headers, *extra]))
    last = AGREEMENT
    while last in names:
        last += " (2)"
    index = pd.Index(range(2, len(lines) + 2), name="row", dtype="int64")
    values: dict[str, list[Any]] = {}
    texts: dict[str, list[str]] = {}
    for name in names:
        codes = [plain(line.record.get(name)) for line in lines]
        written = [_text(pairing, name, code, line.source) for code, line in zip(codes, lines, strict=True)]
        if name == "landing":
            # No code for a landing is "not seen", as in every sheet; only what could not be read stays unread.
            codes = [
                NOT_SEEN if code is None and text == NOT_SEEN else code
                for code, text in zip(codes, written, strict=True)
            ]
        values[name], texts[headers.get(name, name)] = codes, written
    how = [line.how for line in lines]
    original = pd.DataFrame({**texts, last: how}, index=index, dtype=object)
    rows = pd.DataFrame(
        {
            name: pd.Series(codes, index=index, dtype="Int64" if name in NUMERIC else object)
            for name, codes in {**values, last: how}.items()
        },
        index=index,
    )
    text = "\n".join("\t".join(line) for line in original.itertuples(index=False, name=None))
    return Sheet(
        path=Path("agreed.csv"),
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        worksheet=None,
        encoding=None,
        delimiter=None,
        codebook=sheets[0].codebook,
        headers=headers,
        original=original,
        rows=rows,
        repairs=(),
        problems=_problems(sheets, lines, headers),
    )


def _text(pairing: Pairing, name: str, code: str | int | None, source: tuple[int, int] | None) -> str:
    """Return the cell of the agreed sheet; one that nobody could read stays as its coder wrote it."""
    if code is not None:
        return code_text(code)
    if source is not None:
        sheet = pairing.sheets[source[0]]
        header = sheet.headers.get(name, name)
        text = str(sheet.original.at[source[1], header]) if header in sheet.original else ""
        if tidy(text):
            return text
    # Where the codebook reads a blank as a code, a blank can't say that there is none.
    blank_means = pairing.sheets[0].codebook.values.get(name, {}).values()
    return NOT_SEEN if name == "landing" or any("" in raw for raw in blank_means) else ""


def _problems(
    sheets: Sequence[Sheet], lines: Sequence[_Line], headers: dict[str, str]
) -> tuple[Problem, ...]:
    """Return what the readers said of the rows that one coder alone has, under their new row numbers."""
    rows = {line.source: row for row, line in enumerate(lines, start=2) if line.source is not None}
    variable = [{header: name for name, header in sheet.headers.items()} for sheet in sheets]
    found = []
    for place, sheet in enumerate(sheets):
        for item in sheet.problems:
            row = rows.get((place, item.row or 0))
            if row is not None:
                name = variable[place].get(str(item.column), str(item.column))
                found.append(replace(item, file="agreed.csv", row=row, column=headers.get(name, item.column)))
    return tuple(found)
