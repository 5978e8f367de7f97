"""Cross-checks: what no single cell shows. They warn; a row stays usable unless the problem says that it blocks."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from analysis.study.cells import points_text
from analysis.study.codebook import NOT_SEEN
from analysis.study.outcome import outcomes
from analysis.study.people import looks_like_names
from analysis.study.problem import Problem
from analysis.study.text import key, misspelt

if TYPE_CHECKING:
    import pandas as pd

    from analysis.study.sheet import Sheet


def check(sheet: Sheet) -> tuple[Problem, ...]:
    """Return what doesn't fit together in a sheet, in the order of rows.

    Checked: points against landing, points against the sums that the edition allows, the same routine twice, two
    routines of one athlete in one round, one technique or athlete under two spellings, difficulty and execution out of
    range; and, once for the sheet, athletes that look like names of people.
    Only a row that repeats a routine blocks: the routine would count twice.
    """
    found = [*_names(sheet), *_points(sheet), *_twice(sheet), *_two_spellings(sheet), *_ranges(sheet)]
    return tuple(sorted(found, key=lambda problem: (problem.row is not None, problem.row or 0)))


def usable_rows(sheet: Sheet, found: Sequence[Problem] | None = None) -> int:
    """Count the rows that a comparison could use: meet, athlete, technique and an outcome known, nothing blocks."""
    return int(_usable(sheet, found).sum())


def nothing_to_compare(sheet: Sheet, found: Sequence[Problem] | None = None) -> tuple[Problem, ...]:
    """Say why no comparison of techniques could run on a sheet; empty when one could."""
    usable = _usable(sheet, found)
    if not usable.any():
        problem = "no row has meet, athlete, technique and a known landing or deduction"
        remedy = "code the landings that were seen; rows without one are set aside"
        return (Problem(str(sheet.path), None, None, None, problem, remedy),)
    shown = sheet.rows.loc[usable, "technique"].unique()
    if len(shown) < 2:
        problem = f'all usable rows show one technique, "{shown[0]}", so there is nothing to compare it with'
        remedy = "code the routines of a second technique as well"
        return (Problem(str(sheet.path), None, sheet.headers["technique"], None, problem, remedy),)
    return ()


def _usable(sheet: Sheet, found: Sequence[Problem] | None) -> pd.Series[bool]:
    """Mark the usable rows; `found` is what `check` returned, where it has run already."""
    import pandas as pd

    rows = sheet.rows
    if len(rows) == 0 or "technique" not in rows:
        return pd.Series(False, index=rows.index)
    known = outcomes(sheet)
    blocked = {
        problem.row
        for problem in (*sheet.problems, *(check(sheet) if found is None else found))
        if problem.blocks
    }
    usable = rows[["meet", "athlete", "technique"]].notna().all(axis=1)
    usable &= known["stuck"].notna() | known["points"].notna()
    return usable & ~rows.index.isin(list(blocked))


def _problem(
    sheet: Sheet, row: int, variable: str, problem: str, remedy: str, blocks: bool = False
) -> Problem:
    header = sheet.headers[variable]
    return Problem(str(sheet.path), row, header, str(sheet.original.at[row, header]), problem, remedy, blocks)


def _points(sheet: Sheet) -> list[Problem]:
    """Points against landing, and against the sums that the edition allows."""
    rows, book = sheet.rows, sheet.codebook
    if "deduction" not in rows:
        return []
    rules = book.points
    blank = [None] * len(rows)
    landings = list(rows["landing"]) if "landing" in rows else blank
    others: list[Any] = list(rows["other faults"]) if "other faults" in rows else blank
    found = []
    totals: list[Any] = list(rows["deduction"])
    for row, landing, total, other in zip(rows.index, landings, totals, others, strict=True):
        if _na(total):
            continue
        rest = 0 if _na(other) else int(other)
        feet, shown = total - rest, points_text(total)
        grade = book.grade(landing) if landing in book.rank else None
        if feet < 0:
            problem = f"other faults ({points_text(rest)}) are more than the whole deduction ({shown})"
            found.append(
                _problem(sheet, row, "other faults", problem, "the deduction counts them too: correct one")
            )
        elif grade is not None and grade.stuck and feet > 0:
            problem = f"the landing is {grade.name}, yet {points_text(feet)} of the deduction is for steps"
            remedy = "correct the landing, or write the points for posture, squat and arms as other faults"
            found.append(_problem(sheet, row, "deduction", problem, remedy))
        elif grade is not None and grade.fall and feet < rules.fall_points:
            problem = f"the landing is {grade.name}, yet only {points_text(feet)} is taken for it"
            remedy = f"a fall costs at least {points_text(rules.fall_points)} in {book.edition}: correct one"
            found.append(_problem(sheet, row, "deduction", problem, remedy))
        elif grade is not None and grade.deductions and feet < min(grade.deductions):
            problem = f"the landing is {grade.name}, yet only {points_text(feet)} is taken for it"
            remedy = f"it costs at least {points_text(min(grade.deductions))} in {book.edition}: correct one"
            found.append(_problem(sheet, row, "deduction", problem, remedy))
        elif (
            grade is not None
            and grade.deductions
            and not grade.fall
            and feet > max(grade.deductions)
            and not _na(other)
        ):
            problem = f"the landing is {grade.name}, yet {points_text(feet)} is taken for it"
            remedy = f"it costs at most {points_text(max(grade.deductions))} in {book.edition}: correct one"
            found.append(_problem(sheet, row, "deduction", problem, remedy))
        if total not in rules.allowed_sums:
            problem = f"{shown} is not a sum of deductions that {book.edition} allows"
            found.append(_problem(sheet, row, "deduction", problem, _nearest_sums(total, rules.allowed_sums)))
    return found


def _nearest_sums(total: int, allowed: frozenset[int]) -> str:
    near = sorted(sorted(allowed, key=lambda points: (abs(points - total), points))[:2])
    return (
        f"check it against your rule book; near it are {' and '.join(points_text(points) for points in near)}"
    )


def _twice(sheet: Sheet) -> list[Problem]:
    """The same routine in two rows, and two routines of one athlete in one round.

    Rows are one routine when they agree in meet, athlete, round, apparatus and routine label, or in every cell with a
    round, clip, start order or label among them. All but the most complete row (the first of them) block; where one
    coder's rows for a routine contradict each other none can be trusted, and all block. With two coders, the row of
    the coder who stands first counts. Rows that agree in every cell but identify no routine only warn.
    """
    rows = sheet.rows
    found: list[Problem] = []
    blocked: set[int] = set()
    for group in _same(
        rows, ["meet", "athlete", "round", "apparatus", "routine"], ["meet", "athlete", "routine"]
    ):
        found += _repeated(sheet, group, f"{rows.at[group[0], 'routine']!s} also stands", "routine", blocked)
    marks = [name for name in ("round", "clip", "start order") if name in rows]
    cells = [name for name in rows.columns if name not in ("note", "coder")]
    for whole in _same(rows, cells, ["meet", "athlete"]):
        group = [row for row in whole if row not in blocked]
        if group and any(not _na(rows.at[group[0], name]) for name in marks):
            found += _repeated(sheet, group, "every cell is the same", "athlete", blocked)
        else:
            for row in group[1:]:
                remedy = "delete one row, or tell the routines apart (column routine or round)"
                found.append(_problem(sheet, row, "athlete", f"every cell is as in row {group[0]}", remedy))
    return found + _one_round(sheet, blocked)


def _same(rows: pd.DataFrame, by: list[str], needed: list[str]) -> list[list[int]]:
    """Row numbers of rows that are alike in the columns `by`; rows with a blank in `needed` are like no other."""
    by = [name for name in by if name in rows]
    if any(name not in rows for name in needed):
        return []
    groups: dict[tuple[Any, ...], list[int]] = defaultdict(list)
    columns = [[None if _na(value) else value for value in rows[name]] for name in by]
    must = [by.index(name) for name in needed]
    for row, values in zip(rows.index, zip(*columns, strict=True), strict=True):
        if all(values[place] is not None for place in must):
            groups[values].append(int(row))
    return [group for group in groups.values() if len(group) > 1]


def _repeated(sheet: Sheet, group: list[int], what: str, variable: str, blocked: set[int]) -> list[Problem]:
    """Block all rows of one routine but the one that counts; all of them where one coder contradicts himself."""
    rows = sheet.rows
    coded = [name for name in ("technique", "landing", "deduction") if name in rows]
    known = {row: sum(not _open(rows.at[row, name]) for name in coded) for row in group}
    first = next(
        (row for row in group if not _by_another(rows, row, group[0]) and known[row] == max(known.values())),
        group[0],
    )
    found = []
    for row in group:
        if row == first or row in blocked:
            continue
        blocked.add(row)
        if _by_another(rows, row, first):
            problem = f"the same routine twice: coded by another coder in row {first}, which counts"
            remedy = "keep the second coder's rows in a sheet of their own and compare the two"
            found.append(_problem(sheet, row, variable, problem, remedy, blocks=True))
            continue
        differ = [name for name in coded if _contradict(rows.at[row, name], rows.at[first, name])]
        if not differ:
            problem = f"the same routine twice: {what} in row {first}"
            found.append(_problem(sheet, row, variable, problem, "delete one row", blocks=True))
            continue
        remedy = "look at the routine again and delete the wrong row"
        for one, other in ((row, first), (first, row)):
            if one == row or one not in blocked:
                problem = (
                    f"the same routine twice: {what} in row {other}, with another {' and '.join(differ)}"
                )
                found.append(_problem(sheet, one, variable, problem, remedy, blocks=True))
        blocked.add(first)
    return found


def _by_another(rows: pd.DataFrame, row: int, first: int) -> bool:
    """Whether the two rows name different coders."""
    return "coder" in rows and _contradict(rows.at[row, "coder"], rows.at[first, "coder"])


def _contradict(one: Any, other: Any) -> bool:
    return not _open(one) and not _open(other) and bool(one != other)


def _open(value: Any) -> bool:
    return _na(value) or value == NOT_SEEN


def _one_round(sheet: Sheet, blocked: set[int]) -> list[Problem]:
    rows, allowed = sheet.rows, sheet.codebook.routines_per_round
    if "round" not in rows:
        return []
    left = rows[~rows.index.isin(list(blocked))]
    found = []
    for group in _same(left, ["meet", "athlete", "round", "apparatus"], ["meet", "athlete", "round"]):
        for row in group[allowed:]:
            if _by_another(rows, row, group[0]):
                found += _repeated(sheet, [group[0], row], "", "athlete", blocked)
                continue
            problem = f"this athlete already has a routine in this round, in row {group[0]}"
            found.append(
                _problem(sheet, row, "athlete", problem, "correct the athlete, the round or the meet")
            )
    return found


def _two_spellings(sheet: Sheet) -> list[Problem]:
    """Techniques that are one slip apart, and athletes whose codes differ in accents, marks or leading zeros only."""
    found = []
    if "technique" in sheet.rows:
        counts = Counter(str(name) for name in sheet.rows["technique"].dropna())
        listed = sheet.codebook.technique_names.names
        # The commoner spelling, or the one that stands first, is taken for the name; one of the codebook always is.
        names = sorted(counts, key=lambda name: (name not in listed, -counts[name]))
        for place, name in enumerate(names):
            near = next(
                (other for other in names[:place] if name not in listed and misspelt(name, other)), None
            )
            if near is not None:
                problem = f'may be "{near}" in another spelling ({counts[name]} rows against {counts[near]})'
                found.append(
                    _first_problem(sheet, "technique", name, problem, "write one technique in one way")
                )
    if "athlete" in sheet.rows:
        spelled: dict[str, list[str]] = defaultdict(list)
        for name in sheet.rows["athlete"].dropna().unique():
            spelled[_bare(str(name))].append(str(name))
        for same in spelled.values():
            for name in same[1:]:
                problem = f'may be "{same[0]}" in another spelling; they count as two athletes'
                found.append(_first_problem(sheet, "athlete", name, problem, "write one athlete in one way"))
    return found


def _first_problem(sheet: Sheet, variable: str, value: str, problem: str, remedy: str) -> Problem:
    row = sheet.rows.index[sheet.rows[variable] == value][0]
    return _problem(sheet, int(row), variable, problem, remedy)


def _bare(name: str) -> str:
    """Return what is left of a code without case, accents, marks and leading zeros ("A-07" and "a7" are alike)."""
    letters = "".join(c for c in key(name) if c.isalnum())
    parts = re.findall(r"[0-9]+|[^0-9]+", letters)
    return "".join(part.lstrip("0") or "0" if part.isascii() and part.isdigit() else part for part in parts)


def _ranges(sheet: Sheet) -> list[Problem]:
    found = []
    for variable in ("difficulty", "execution"):
        if variable not in sheet.rows:
            continue
        low, high = sheet.codebook.ranges[variable]
        values = sheet.rows[variable]
        for row in values.index[((values < low) | (values > high)).fillna(False)]:
            problem = f"{variable} lies outside {points_text(low)} to {points_text(high)}"
            found.append(
                _problem(
                    sheet, int(row), variable, problem, "is it the total score, or without its decimal point?"
                )
            )
    return found


def _names(sheet: Sheet) -> list[Problem]:
    """Names of people, told once: the report lists every row. They aren't repeated here."""
    if "athlete" not in sheet.rows:
        return []
    distinct = sheet.rows["athlete"].dropna().unique()
    names = looks_like_names(distinct)
    if not names:
        return []
    count = (
        "1 athlete looks like the name of a person"
        if len(names) == 1
        else f"{len(names)} athletes look like names"
    )
    problem = f"{count} (of {len(distinct)} in all), and a report would carry them"
    remedy = (
        "write codes such as A07 and keep who is who apart (landings codes makes such a copy); athletes are often "
        "minors: get consent and ethics approval as local rules ask"
    )
    return [Problem(str(sheet.path), None, sheet.headers["athlete"], None, problem, remedy)]


def _na(value: Any) -> bool:
    return value is None or type(value).__name__ == "NAType" or bool(value != value)
