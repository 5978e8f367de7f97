"""The planned contrast under each coder's codes and under the agreed ones, and how far miscoding could move it."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from analysis.comparison.agreement import Drawn
from analysis.comparison.coders import STUCK, codes_of
from analysis.comparison.headline import arms_of, make_groups, make_headline
from analysis.comparison.result import Group, Headline, Question
from analysis.comparison.run import question_of
from analysis.comparison.sample import Sample, draw_sample
from analysis.shown import Shown
from analysis.stats.agreement import difference_with_miscoding
from analysis.stats.budget import DEFAULT, Budget, Progress, no_progress
from analysis.stats.result import Interval, strict_json
from analysis.study.codebook import NOT_SEEN
from analysis.study.plan import Plan, read_plan
from analysis.study.problem import InputProblem, Problem
from analysis.study.reconcile import Reconciled, reconcile
from analysis.study.sheet import Sheet, read_sheet

AGREED = "agreed codes"
BOTH, ALL = "routines coded by both", "all routines"
SCHEMA = "landing-outcomes/under-coders/1"


@dataclass(frozen=True)
class Under(Shown):
    """The contrast under one coder's codes, or under the agreed ones; `headline` is None with a reason in `why`."""

    coder: str
    scope: Literal["routines coded by both", "all routines"]
    groups: tuple[Group, ...]
    headline: Headline | None
    why: str


@dataclass(frozen=True, eq=False)
class UnderCoders:
    """One plan under two coders.

    Parameters
    ----------
    question : Question
    reconciled : Reconciled
        The agreed sheet, and what in it is still open.
    runs : tuple of Under
        First the routines that both coded, under the first coder, the second, and the agreed codes; then all routines,
        under the first coder alone and with the agreed codes in the double-coded part.
    miscoding : Interval or None
        The difference of stuck rates over all routines with the first coder's errors carried through.
    reference : str
        Whose codes were taken as right for it.
    table : tuple
        The double-coded routines for it: stuck, not stuck by the reference (rows) and by the first coder (columns).
    notes : tuple of str
    """

    question: Question
    reconciled: Reconciled
    runs: tuple[Under, ...]
    miscoding: Interval | None
    miscoding_why: str
    reference: str
    table: tuple[tuple[int, int], tuple[int, int]]
    notes: tuple[str, ...]

    def run(self, coder: str, scope: str) -> Under:
        """Return one run by its coder and scope; KeyError where there is none."""
        found: dict[tuple[str, str], Under] = {(item.coder, item.scope): item for item in self.runs}
        return found[coder, scope]

    def to_dict(self) -> dict[str, Any]:
        """Return everything as strict JSON values."""
        return {
            "schema": SCHEMA,
            "techniques": list(self.question.techniques),
            "outcome": self.question.outcome,
            "runs": [_plain(item) for item in self.runs],
            "miscoding": None if self.miscoding is None else self.miscoding.to_dict(),
            "miscoding_why": self.miscoding_why,
            "reference": self.reference,
            "table": [list(row) for row in self.table],
            "open": len(self.reconciled.open),
            "notes": list(self.notes),
        }

    def to_json(self) -> str:
        """Return `to_dict` as text."""
        return json.dumps(self.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def __str__(self) -> str:
        lines = [self.question.title]
        for item in self.runs:
            claim = item.why if item.headline is None else item.headline.claim
            lines.append(f"{item.coder}, {item.scope}: {claim}")
        return "\n".join([*lines, *self.notes])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from analysis.comparison.display import under_coders_html

        return under_coders_html(self)


def compare_under_coders(
    plan: Plan | str | Path,
    sheet_b: Sheet | str | Path,
    decisions: str | Path | None = None,
    drawn: Drawn = "by first code",
    budget: Budget = DEFAULT,
    progress: Progress = no_progress,
) -> UnderCoders:
    """Run the plan's headline under the first coder (the plan's sheet), the second, and the agreed codes.

    Strata and adjustment are left out: the question is whether the headline depends on who coded.

    Parameters
    ----------
    plan : Plan or path
        Its sheet is the first coder's.
    sheet_b : Sheet or path
        The second coder's; a path is read with the plan's codebook.
    decisions : path or None
        The list of disagreements, filled in. What is open counts as not seen in the agreed codes.
    drawn : {"by first code", "at random"}
        How the part to be coded twice was chosen. The first holds for either way; where the part is known to be drawn
        at random from all, the second uses a little more of what it shows.

    Returns
    -------
    UnderCoders

    Raises
    ------
    InputProblem
        When plan, sheets or decisions can't be used, or no routine was coded by both.
    """
    if not isinstance(plan, Plan):
        plan = read_plan(plan)
    first = read_sheet(plan.sheet, codebook=plan.codebook, worksheet=plan.worksheet)
    second = sheet_b if isinstance(sheet_b, Sheet) else read_sheet(sheet_b, codebook=first.codebook)
    made = reconcile(first, second, decisions)
    pairing = made.pairing
    if not pairing.routines:
        files = " and ".join(pairing.names)
        remedy = "give both sheets the same routine labels, or meet, round and athlete in the same spelling"
        raise InputProblem(Problem(files, None, None, None, "no routine stands in both sheets", remedy))
    plain = replace(plan, strata=(), adjust=())
    whole = draw_sample(plain, first)
    question = question_of(whole)
    sheets = [
        (pairing.coders[0], BOTH, only(first, (r.rows[0] for r in pairing.routines))),
        (pairing.coders[1], BOTH, only(second, (r.rows[1] for r in pairing.routines))),
        (AGREED, BOTH, only(made.sheet, made.double)),
        (pairing.coders[0], ALL, first),
        (AGREED, ALL, made.sheet),
    ]
    runs = []
    for done, (coder, scope, sheet) in enumerate(sheets):
        progress("under each coder", done, len(sheets))
        runs.append(_under(coder, scope, plain, sheet, question, budget))  # type: ignore[arg-type]
    progress("under each coder", len(sheets), len(sheets))
    reference, table = _errors(made)
    headline = runs[3].headline
    assert headline is not None  # the plan was matched to this very sheet above
    miscoding, why = _miscoding(whole, table, question, drawn, headline.interval)
    return UnderCoders(question, made, tuple(runs), miscoding, why, reference, table, _notes(made, runs))


def only(sheet: Sheet, rows: Iterable[int | None]) -> Sheet:
    """Return the sheet with these rows alone, in their order in the file, and what was said of them."""
    kept = sorted(row for row in rows if row is not None)
    there = set(kept)
    return replace(
        sheet,
        original=sheet.original.loc[kept],
        rows=sheet.rows.loc[kept],
        repairs=tuple(item for item in sheet.repairs if item.row is None or item.row in there),
        problems=tuple(item for item in sheet.problems if item.row is None or item.row in there),
    )


def _under(
    coder: str,
    scope: Literal["routines coded by both", "all routines"],
    plan: Plan,
    sheet: Sheet,
    question: Question,
    budget: Budget,
) -> Under:
    try:
        frame = draw_sample(plan, sheet).used()
    except InputProblem as found:
        return Under(coder, scope, (), None, "; ".join(item.problem for item in found.problems))
    headline = make_headline(frame, question, budget)
    return Under(coder, scope, make_groups(frame, question), headline, headline.interval_why)


def _errors(made: Reconciled) -> tuple[str, tuple[tuple[int, int], tuple[int, int]]]:
    """Return whose codes are taken as right, and the double-coded routines by those and by the first coder's codes.

    The agreed codes are the reference only once every landing is decided: open disagreements left out would make the
    first coder look faultless.
    """
    first, second = codes_of(made.pairing, "stuck")
    reference = made.pairing.coders[1]
    if not any(item.variable == "landing" for item in made.open):
        book = made.sheet.codebook
        stuck = {grade.name: STUCK if grade.stuck else "not stuck" for grade in book.grades}
        there = "landing" in made.sheet.rows
        landings = (
            made.sheet.rows.loc[list(made.double), "landing"].tolist() if there else [None] * len(first)
        )
        second = [None if name is None or name == NOT_SEEN else stuck[name] for name in landings]
        reference = AGREED
    both = [(b == STUCK, a == STUCK) for a, b in zip(first, second, strict=True) if a and b]
    rows = [(both.count((right, True)), both.count((right, False))) for right in (True, False)]
    return reference, (rows[0], rows[1])


def _miscoding(
    whole: Sample,
    table: tuple[tuple[int, int], tuple[int, int]],
    question: Question,
    drawn: Drawn,
    uncorrected: Interval | None,
) -> tuple[Interval | None, str]:
    if question.outcome != "stuck":
        return None, f'miscoding is carried through for outcome "stuck", not for "{question.outcome}"'
    arms = arms_of(whole.used(), "stuck")
    if min(arms.sizes) == 0:
        return None, "a technique has no routine that can be used"
    found = difference_with_miscoding(
        *arms.counts,
        table,
        level=question.level,
        seed=question.seed,
        drawn=drawn,
        uncorrected=uncorrected,
    )
    return found, found.why


def _notes(made: Reconciled, runs: list[Under]) -> tuple[str, ...]:
    both = [item for item in runs if item.scope == BOTH]
    claims = {item.headline.claim for item in both if item.headline is not None}
    said = []
    if len(claims) > 1:
        said.append("On the routines that both coded, what may be claimed depends on whose codes are taken.")
    elif claims:
        said.append(
            f"On the routines that both coded, the claim is the same whoever's codes are taken: {claims.pop()}."
        )
    if made.open:
        said.append(
            f"{len(made.open)} disagreements are open; those codes count as not seen in the agreed sheet, so its "
            "counts are smaller."
        )
    if made.left_out:
        said.append(
            f"{len(made.left_out)} rows could not be paired or read with certainty and are not in the agreed sheet."
        )
    return tuple(said)


def _plain(item: Under) -> dict[str, Any]:
    head = item.headline
    interval = None if head is None or head.interval is None else head.interval.to_dict()
    return {
        "coder": item.coder,
        "scope": item.scope,
        "groups": [
            {"name": g.name, "x": g.x, "n": g.n, "low": strict_json(g.low), "high": strict_json(g.high)}
            for g in item.groups
        ],
        "difference": interval,
        "p_value": None if head is None or head.test is None else strict_json(head.test.p_value),
        "claim": "not shown" if head is None else head.claim,
        "why": item.why,
    }
