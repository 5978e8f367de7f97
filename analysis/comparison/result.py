"""The frozen answer to a plan: every number that a table, a picture or a sentence may use, and its JSON.

Nothing downstream computes. If a number is wanted in a report, it is a field here.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields, is_dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any, Literal

from analysis.comparison.evidence import Adjusted, Graded, PointsParts, Priors, Selection
from analysis.comparison.planning import Planning
from analysis.reading.claim import Claim
from analysis.shown import Shown
from analysis.stats.result import Effect, Fit, Interval, Test, strict_json

if TYPE_CHECKING:
    import pandas as pd

SCHEMA = "landing-outcomes/results/1"

Outcome = Literal["stuck", "deduction", "landing grade"]


@dataclass(frozen=True)
class Question(Shown):
    """What the plan asked, after it was matched to the sheet."""

    title: str
    group: str
    techniques: tuple[str, ...]
    outcome: Outcome
    sides: Literal["two", "more", "fewer"]
    level: float
    repeats: Literal["first", "cluster", "all"]
    athlete: str
    strata: tuple[str, ...]
    adjust: tuple[str, ...]
    matters: float | None
    difficulty_gain: float | None
    prior: tuple[float, float] | None
    seed: int
    discipline: str
    edition: str
    language: str = "en"


@dataclass(frozen=True)
class Reason(Shown):
    """Why rows were set aside, and how many."""

    reason: str
    rows: int


@dataclass(frozen=True)
class Rows(Shown):
    """Where every row of the sheet went: read = used + set_aside, always."""

    read: int
    used: int
    set_aside: int
    reasons: tuple[Reason, ...]
    repairs: int
    problems: int


@dataclass(frozen=True)
class Group(Shown):
    """One technique: x of n routines had the outcome (stuck, no deduction, or the best grade).

    `low` and `high` are the limits of the rate x / n at the headline's level; with repeats they use `effective_n`.
    `mean`, `mean_low` and `mean_high` are points lost per routine, for outcome "deduction" only.
    """

    name: str
    x: int
    n: int
    athletes: int
    low: float
    high: float
    level: float
    method: str
    effective_n: float
    mean: float | None = None
    mean_low: float | None = None
    mean_high: float | None = None
    why: str = ""


@dataclass(frozen=True)
class Headline(Shown):
    """The planned contrast: first technique minus second.

    `unit` is "proportion", "points" or "probability". `interval` is None with `interval_why` when it can't be
    had; `test` is None with `p_why` likewise. `estimate` is known wherever both techniques have a routine.
    `disagreement` is one sentence where interval and p point to different sides of the level, "" otherwise.
    """

    outcome: Outcome
    first: str
    second: str
    unit: Literal["proportion", "points", "probability"]
    interval: Interval | None
    interval_why: str
    test: Test | None
    p_why: str
    claim: Claim
    reason: str
    disagreement: str
    estimate: float | None = None


@dataclass(frozen=True)
class Beside(Shown):
    """The same contrast by other measures and tests, printed beside the headline and never instead of it."""

    intervals: tuple[Interval, ...]
    tests: tuple[Test, ...]
    note: str


@dataclass(frozen=True)
class PointsSummary(Shown):
    """Points lost on the landing by one technique. `counts` lists (points, routines) in rising order."""

    name: str
    n: int
    athletes: int
    none: int
    mean: float | None
    median: float | None
    largest: float | None
    counts: tuple[tuple[float, int], ...]


@dataclass(frozen=True)
class PointsContrast(Shown):
    """Deductions of all compared techniques with or without falls; `effect` is mean first minus mean second.

    `clustered` is the interval that counts athletes rather than routines, given when athletes come back.
    """

    falls: Literal["with falls", "without falls"]
    groups: tuple[PointsSummary, ...]
    effect: Effect | None
    effect_why: str
    rank: Effect | None
    clustered: Interval | None
    clustered_test: Test | None


@dataclass(frozen=True)
class Repeats(Shown):
    """Who comes back: counts over the compared techniques before the plan's choice is applied."""

    athletes: int
    routines: int
    returning: int
    both: int
    most: int
    choice: Literal["first", "cluster", "all"]
    note: str


@dataclass(frozen=True)
class Stratum(Shown):
    """One meet (or round, or their combination): stuck and total of first and second technique.

    `difference` is first minus second within this stratum alone, None where one technique has no routine there.
    """

    name: str
    x1: int
    n1: int
    x2: int
    n2: int
    difference: Interval | None = None


@dataclass(frozen=True)
class Strata(Shown):
    """The contrast within strata. `basis` says which routines are in it.

    `agreement` is the sentence that sets it beside the headline, and `changes` is True where the sign or the
    claim is another one within strata.
    """

    by: tuple[str, ...]
    basis: str
    tables: tuple[Stratum, ...]
    odds_ratio: Effect | None
    difference: Interval | None
    homogeneity: Test | None
    standardised: Interval | None
    agreement: str
    changes: bool
    why: str


@dataclass(frozen=True)
class Pair(Shown):
    """One pair of techniques: its interval at 1 - alpha / pairs, its own p and the family-wise p."""

    first: str
    second: str
    difference: Interval | None
    p_value: float | None
    family_p: float | None
    why: str


@dataclass(frozen=True)
class Pairs(Shown):
    """Three or more techniques: an overall test and every pair with family-wise control."""

    overall: Test | None
    overall_why: str
    pairs: tuple[Pair, ...]
    control: str


@dataclass(frozen=True)
class Alternative(Shown):
    """The headline's difference under one other choice (a definition, a selection, an athlete left out)."""

    what: str
    n: int
    estimate: float | None
    low: float | None
    high: float | None
    claim: str


@dataclass(frozen=True)
class Doubt(Shown):
    """How the headline holds up: other choices side by side, and the range when each athlete is left out."""

    alternatives: tuple[Alternative, ...]
    leave_out_low: float | None
    leave_out_high: float | None
    leave_out_claims: int
    leave_out_runs: int


@dataclass(frozen=True)
class GradeCount(Shown):
    """How often one technique landed in one category, in the codebook's order (best first)."""

    technique: str
    grade: str
    routines: int


@dataclass(frozen=True)
class Reading(Shown):
    """Words: one sentence for the headline, further sentences, what the sample can't say, and the cautions."""

    headline: str
    sentences: tuple[str, ...]
    cannot_say: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class Source(Shown):
    """What the numbers were made from: enough to make them again."""

    sheet: str
    sheet_sha256: str
    plan: str
    plan_sha256: str
    codebook: str
    codebook_sha256: str


@dataclass(frozen=True, eq=False)
class Comparison:
    """Everything that one run of a plan found.

    `table` has one line per row of the sheet, indexed by its row number in the file, with the columns
    `status` ("used" or "set aside"), `reason`, `technique`, `athlete`, `meet`, `round`, `landing`, `grade`
    (0 = best; missing where not known), `stuck`, `points` and `fall`. `original` holds the sheet's cells as they were.
    `grade_names` lists the codebook's landing categories, best first.
    """

    question: Question
    rows: Rows
    groups: tuple[Group, ...]
    headline: Headline
    beside: Beside
    grades: tuple[GradeCount, ...]
    grade_names: tuple[str, ...]
    deductions: tuple[PointsContrast, ...]
    deductions_why: str
    repeats: Repeats
    strata: Strata | None
    pairs: Pairs | None
    adjusted: Adjusted | None
    selection: Selection | None
    graded: Graded | None
    points_parts: tuple[PointsParts, ...]
    priors: Priors | None
    planning: Planning | None
    doubt: Doubt | None
    reading: Reading
    source: Source
    table: pd.DataFrame
    original: pd.DataFrame

    def to_dict(self) -> dict[str, Any]:
        """Return results.json as a dictionary (strict JSON: no NaN; null comes with a `why`)."""
        body = {
            item.name: _plain(getattr(self, item.name))
            for item in fields(self)
            if item.name not in ("table", "original", "headline", "reading", "beside")
        }
        # Its words show the language; the path of a file of words would tell about the machine.
        del body["question"]["language"]
        head = self.headline
        difference: dict[str, Any] = (
            head.interval.to_dict()
            if head.interval is not None
            else {
                "estimate": strict_json(head.estimate),
                "low": None,
                "high": None,
                "level": self.question.level,
                "method": "none",
                "why": head.interval_why,
            }
        )
        for key in ("estimate", "low", "high"):
            difference.setdefault(key, None)
        # A one-sided interval of points has no limit on its other side, and JSON has no number for that.
        for key in ("low", "high"):
            if isinstance(difference[key], str):
                difference[key] = None
                difference.setdefault("why", f"one-sided: there is no {key} limit")
        headline: dict[str, Any] = {
            "outcome": head.outcome,
            "first": head.first,
            "second": head.second,
            "unit": head.unit,
            "difference": difference,
            "p_value": None if head.test is None else strict_json(head.test.p_value),
            "test": None if head.test is None else head.test.method,
            "test_details": None if head.test is None else head.test.to_dict(),
            "why": head.p_why,
            "claim": head.claim,
            "reason": head.reason,
            "disagreement": head.disagreement,
        }
        return {
            "schema": SCHEMA,
            "question": body.pop("question"),
            "rows": body.pop("rows"),
            "groups": body.pop("groups"),
            "headline": headline,
            "reading": self.reading.headline,
            "words": _plain(self.reading),
            "beside": _plain(self.beside),
            **body,
        }

    def to_json(self) -> str:
        """Return results.json as text."""
        return json.dumps(self.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def __str__(self) -> str:
        counts = "; ".join(f"{group.name}: {group.x} of {group.n}" for group in self.groups)
        return f"{self.question.title}\n{counts}\n{self.reading.headline}"

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from analysis.comparison.display import comparison_html

        return comparison_html(self)


def _plain(value: Any) -> Any:
    if isinstance(value, (Interval, Test, Effect, Fit)):
        return value.to_dict()
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: _plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return strict_json(value)


def results_schema() -> dict[str, Any]:
    """Return the JSON schema of results.json, as shipped in the package."""
    text = resources.files("analysis.resources").joinpath("results.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema
