"""Who counts and why not: each row of the sheet is used or set aside with one reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.comparison.result import Outcome, Reason, Repeats, Rows
from analysis.reading.sentences import repeats_sentence
from analysis.study.checks import check
from analysis.study.outcome import outcomes
from analysis.study.plan import Plan
from analysis.study.problem import InputProblem, Problem
from analysis.study.sheet import Sheet
from analysis.study.text import key

BEFORE_LANDING = "execution before landing"
"""Worked out where a plan adjusts for it: a score that holds the landing's own deduction is partly the outcome."""

_OUTCOME_COLUMN = {"stuck": "stuck", "deduction": "points", "landing grade": "grade"}


@dataclass(frozen=True, eq=False)
class Sample:
    """The sheet seen through a plan.

    `table` has one line per routine row with the columns that `Comparison.table` promises, and beside them
    `arm` (the technique's place in the plan, -1 for others), `order` (the routines' order in time), `stratum` and
    the columns to adjust for. `status` and `reason` are those of the plan's outcome.
    """

    plan: Plan
    sheet: Sheet
    techniques: tuple[str, ...]
    problems: tuple[Problem, ...]
    table: pd.DataFrame
    adjust: tuple[str, ...]

    def used(self, outcome: Outcome | None = None, repeats: str | None = None) -> pd.DataFrame:
        """Return the rows that count for an outcome under a choice for repeats (the plan's where not given)."""
        asked: Outcome = outcome or self.plan.outcome
        if outcome is None and repeats is None:
            return self.table[self.table["status"] == "used"]
        reasons = _reasons(self.table, asked, repeats or self.plan.repeats)
        return self.table[reasons == ""]


def draw_sample(plan: Plan, sheet: Sheet) -> Sample:
    """Match the plan to the sheet and decide for each row whether it counts.

    Raises
    ------
    InputProblem
        When a column or a technique of the plan isn't in the sheet, or the outcome can't be had from it. All
        such problems are told at once.
    """
    match = _match(plan, sheet)
    group, techniques = match.group, match.techniques
    problems = (*sheet.problems, *check(sheet))
    known = outcomes(sheet)
    rows = sheet.rows
    table = pd.DataFrame(index=rows.index)
    table["technique"] = rows[group].map(lambda value: None if pd.isna(value) else str(value)).astype(object)
    table["athlete"] = _joined(rows, match.athlete)
    for name in ("meet", "round", "landing"):
        table[name] = rows[name].astype(object) if name in rows else None
    for name in known.columns:
        table[name] = known[name]
    place = {name: i for i, name in enumerate(techniques)}
    table["arm"] = [place.get(name, -1) for name in table["technique"]]
    table["order"] = _order(sheet)
    table["stratum"] = _joined(rows, match.strata) if match.strata else ""
    for name in match.adjust:
        if name not in table:
            table[name] = before_landing(sheet) if name == BEFORE_LANDING else rows[name]
    table["blocked"] = _blocked(rows.index, problems)
    table["unread"] = _unread(sheet, (group, *match.athlete, "meet"), problems)
    table["reason"] = _reasons(table, plan.outcome, plan.repeats)
    table["status"] = np.where(table["reason"] == "", "used", "set aside")
    return Sample(plan, sheet, techniques, problems, table, match.adjust)


def row_counts(sample: Sample) -> Rows:
    """Count the rows read, used and set aside, with the reasons in order of frequency."""
    status = sample.table["status"]
    aside = sample.table.loc[status != "used", "reason"]
    # One reason per kind: the part before the colon, so that each typing error isn't a reason of its own.
    kinds = aside.map(lambda text: text.split(":")[0]).value_counts(sort=True)
    reasons = sorted(
        ((str(name), int(rows)) for name, rows in kinds.items()), key=lambda item: (-item[1], item[0])
    )
    return Rows(
        read=len(status),
        used=int((status == "used").sum()),
        set_aside=len(aside),
        reasons=tuple(Reason(name, rows) for name, rows in reasons),
        repairs=len(sample.sheet.repairs),
        problems=len(sample.problems),
    )


def count_repeats(sample: Sample) -> Repeats:
    """Count who comes back, before the plan's choice is applied, over all compared techniques."""
    frame = sample.used(repeats="all")
    routines = frame.groupby("athlete").size()
    shown = frame.groupby("athlete")["arm"].nunique()
    returning = int((routines > 1).sum())
    both = int((shown > 1).sum())
    choice = sample.plan.repeats
    later = len(frame) - len(routines)
    note = repeats_sentence(choice, len(routines), returning, later, sample.plan.language)
    return Repeats(
        athletes=len(routines),
        routines=len(frame),
        returning=returning,
        both=both,
        most=int(routines.max()) if len(routines) else 0,
        choice=choice,
        note=note,
    )


@dataclass(frozen=True)
class _Matched:
    """The sheet's own names for what the plan names."""

    group: str
    athlete: tuple[str, ...]
    strata: tuple[str, ...]
    adjust: tuple[str, ...]
    techniques: tuple[str, ...]


def _match(plan: Plan, sheet: Sheet) -> _Matched:
    """Return the sheet's columns and techniques that the plan names, or raise with all that aren't there."""
    problems: list[Problem] = []

    def column(where: str, name: str) -> str | None:
        try:
            return sheet.column(name)
        except InputProblem as unknown:
            problems.extend(
                Problem(str(plan.path), None, where, name, item.problem, item.remedy)
                for item in unknown.problems
            )
            return None

    group = column("question.group", plan.group)
    athlete = [column("design.athlete", name) for name in plan.athlete]
    strata = [column("design.strata", name) for name in plan.strata]
    adjust = [
        BEFORE_LANDING if _is_derived(sheet, name) else column("design.adjust", name) for name in plan.adjust
    ]
    techniques: list[str] = []
    if group is not None:
        for name in plan.compare:
            try:
                techniques.append(sheet.match(group, name))
            except InputProblem as unknown:
                problems.extend(
                    Problem(str(plan.path), None, "question.compare", name, item.problem, item.remedy)
                    for item in unknown.problems
                )
        if len(set(techniques)) < len(techniques):
            problems.append(
                Problem(
                    str(plan.path),
                    None,
                    "question.compare",
                    ", ".join(plan.compare),
                    "two of these names mean the same technique in this sheet",
                    "name each technique once",
                )
            )
    needed = {"stuck": "landing", "landing grade": "landing", "deduction": "deduction"}[plan.outcome]
    if needed not in sheet.rows:
        remedy = (
            "add a landing column, or map one in the codebook's [columns] and [landing.values]"
            if needed == "landing"
            else "add a deduction column in points, or map one in the codebook's [columns]"
        )
        problems.append(
            Problem(
                str(sheet.path),
                None,
                needed,
                "",
                f'the sheet has no {needed} column, so outcome "{plan.outcome}" can\'t be had from it',
                remedy,
            )
        )
    if problems or group is None:
        raise InputProblem(problems)
    return _Matched(
        group,
        tuple(name for name in athlete if name),
        tuple(name for name in strata if name),
        tuple(name for name in adjust if name),
        tuple(techniques),
    )


def _is_derived(sheet: Sheet, name: str) -> bool:
    """Whether a plan's column is the one that is worked out here, and can be."""
    there = {"execution", "deduction"} <= set(sheet.rows.columns)
    return there and key(name) == key(BEFORE_LANDING) and BEFORE_LANDING not in sheet.rows


def before_landing(sheet: Sheet) -> pd.Series:
    """Return the execution score with the landing's deduction given back, in thousandths; missing where one is."""
    rows = sheet.rows
    return rows["execution"].astype("Int64") + rows["deduction"].astype("Int64")


def _reasons(table: pd.DataFrame, outcome: Outcome, repeats: str) -> pd.Series:
    """Return for each row why it is set aside; "" where it is used. The first reason that applies is given."""
    column = _OUTCOME_COLUMN[outcome]
    reasons = pd.Series("", index=table.index, dtype=object)

    def put(where: pd.Series, text: pd.Series | str) -> None:
        open_rows = where.fillna(False).astype(bool) & (reasons == "")
        reasons[open_rows] = text[open_rows] if isinstance(text, pd.Series) else text

    put(table["blocked"] != "", table["blocked"])
    put(table["unread"] != "", table["unread"])
    put(
        table["arm"] < 0,
        "technique is not compared in this plan: " + table["technique"].fillna("").astype(str),
    )
    put(table[column].isna(), table[f"{column}_why"].astype(str))
    put(table[column].isna(), f"{outcome} is not known")
    if repeats == "first":
        usable = table[reasons == ""].sort_values("order", kind="stable")
        later = usable.index[usable.duplicated("athlete")]
        reasons[later] = "a later routine of an athlete whose first one counts"
    return reasons


def _order(sheet: Sheet) -> pd.Series:
    """Rank the routines in time: date or else the order of the meets in the sheet, round, start order, row."""
    rows = sheet.rows
    keys = pd.DataFrame(index=rows.index)
    keys["date"] = rows["date"].fillna("~").astype(str) if "date" in rows else ""
    meets = rows["meet"].astype(object).fillna("")
    keys["meet"] = meets.map({name: i for i, name in enumerate(dict.fromkeys(meets))})
    known = {name: i for i, name in enumerate(sheet.codebook.rounds)}
    rounds = rows["round"] if "round" in rows else pd.Series(None, index=rows.index, dtype=object)
    keys["round"] = [known.get(name, len(known)) for name in rounds]
    start = rows["start order"] if "start order" in rows else pd.Series(np.nan, index=rows.index)
    keys["start"] = pd.to_numeric(start, errors="coerce").astype(float).fillna(np.inf)
    ordered = keys.sort_values(["date", "meet", "round", "start"], kind="stable").index
    return pd.Series(range(len(ordered)), index=ordered).reindex(rows.index)


def _joined(rows: pd.DataFrame, columns: tuple[str, ...]) -> pd.Series:
    """Name each row by one or more columns together, None where a part is missing."""
    parts = zip(*(rows[name] for name in columns), strict=True)
    names = [None if any(pd.isna(part) for part in row) else ", ".join(map(str, row)) for row in parts]
    return pd.Series(names, index=rows.index, dtype=object)


def _blocked(index: pd.Index, problems: tuple[Problem, ...]) -> pd.Series:
    blocked = pd.Series("", index=index, dtype=object)
    for problem in problems:
        if problem.blocks and problem.row is not None and problem.row in blocked.index:
            blocked[problem.row] = problem.problem
    return blocked


def _unread(sheet: Sheet, columns: tuple[str, ...], problems: tuple[Problem, ...]) -> pd.Series:
    """Say for each row which required cell is empty or could not be read; "" where there is none."""
    named = {(problem.row, problem.column): problem for problem in problems}
    unread = pd.Series("", index=sheet.rows.index, dtype=object)
    for column in dict.fromkeys(columns):
        for row in sheet.rows.index[sheet.rows[column].isna()]:
            if unread[row] == "":
                problem = named.get((row, sheet.headers.get(column, column)))
                given = problem.value if problem is not None else ""
                unread[row] = f"{column} could not be read: {given}" if given else f"{column} is blank"
    return unread
