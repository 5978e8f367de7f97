"""How the answers of this room look in a notebook: counts, limits and the sentence, every name escaped."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.reading import numbers
from analysis.shown import grid, paragraphs
from analysis.stats.result import Interval

if TYPE_CHECKING:
    from analysis.comparison.agreement import Agreement
    from analysis.comparison.counts import Counts
    from analysis.comparison.result import Comparison, Group
    from analysis.comparison.under_coders import UnderCoders

PARTS = ("strata", "pairs", "adjusted", "selection", "graded", "points_parts", "priors", "doubt", "planning")
_COUNTED = {"stuck": "stuck", "deduction": "without deduction", "landing grade": "in the best grade"}


def comparison_html(comparison: Comparison) -> str:
    """The sentence, the counts with their limits, what the sample can't say, and where the rest stands."""
    question = comparison.question
    found = [
        name for name in ("rows", "headline", "deductions", "repeats", *PARTS) if getattr(comparison, name)
    ]
    level = numbers.level(question.level)
    header = ["technique", _COUNTED[question.outcome], "rate", f"{level} limits", "athletes"]
    means = any(group.mean is not None for group in comparison.groups)
    header += ["points per routine"] if means else []
    rows = [
        [*_group(group), str(group.athletes), *([numbers.points(group.mean)] if means else [])]
        for group in comparison.groups
    ]
    return (
        paragraphs(comparison.reading.headline)
        + grid(header, rows, question.title, [False, *[True] * (len(header) - 1)])
        + paragraphs(
            " ".join(comparison.reading.cannot_say),
            f"Further parts, each of which shows itself (such as comparison.rows): {', '.join(found)}.",
        )
    )


def counts_html(counts: Counts) -> str:
    """Two counts: their rates, the measures, the tests and the sentence."""
    arms = zip(("first technique", "second technique"), (counts.first, counts.second), strict=True)
    rates = [
        [name, numbers.count(*arm.counts[0]), *_shares(arm.estimate, arm.low, arm.high, arm.n)]
        for name, arm in arms
    ]
    level = numbers.level(counts.difference.level)
    measures = [
        ["difference, percentage points", *_points(counts.difference), counts.difference.method],
        *(
            [name, *_decimals(found), found.method]
            for name, found in (("ratio", counts.ratio), ("odds ratio", counts.odds_ratio))
        ),
    ]
    tests = [test for _, test in counts.tests] + ([counts.score] if counts.score else [])
    return (
        paragraphs(counts.reading)
        + grid(["", "stuck", "rate", f"{level} limits"], rates)
        + grid(["first and second", "estimate", f"{level} limits", "method"], measures)
        + grid(["test", "p"], [[test.method, numbers.p_value(test.p_value)] for test in tests])
    )


def agreement_html(agreement: Agreement) -> str:
    """Every measure of every variable with its limits, how many routines differ, and the methods paragraph."""
    rows = []
    for item in agreement.variables:
        pairs = item.pairs[0].measures if len(item.pairs) == 1 else ()
        rows += [
            [item.variable, name, str(found.n), *_decimals(found)] for name, found in (*pairs, *item.together)
        ]
    title = f"{' and '.join(agreement.coders)}: {agreement.routines} routines coded twice"
    header = ["variable", "measure", "routines", "estimate", f"{numbers.level(agreement.level)} limits"]
    differ = len({item.routine for item in agreement.disagreements})
    said = f"{len(agreement.disagreements)} disagreements on {differ} routines; they stand in agreement.disagreements."
    return grid(header, rows, title, most=None) + paragraphs(said, *agreement.notes, agreement.methods)


def under_coders_html(under: UnderCoders) -> str:
    """The difference under each coder's codes and under the agreed ones."""
    rows = []
    for item in under.runs:
        head = item.headline
        counts = [numbers.count(group.x, group.n) for group in item.groups[:2]] or ["", ""]
        said = "not estimated" if head is None or head.interval is None else str(head.interval)
        rows.append([item.coder, item.scope, *counts, said, item.why if head is None else head.claim])
    header = ["codes of", "routines", *under.question.techniques[:2], "difference", "claim"]
    return grid(header, rows, under.question.title) + paragraphs(under.miscoding_why, *under.notes)


def _group(group: Group) -> list[str]:
    rate = group.x / group.n if group.n else None
    return [
        group.name,
        numbers.count(group.x, group.n),
        *_shares(rate, group.low, group.high, group.n),
    ]


def _shares(rate: float | None, low: float, high: float, n: int) -> Sequence[str]:
    digits = numbers.percent_digits(n)
    if not n:
        return (numbers.NOT_ESTIMATED, numbers.NOT_ESTIMATED)
    limits = f"{numbers.percent(low, digits)} to {numbers.percent(high, digits)}"
    return (numbers.percent(rate, digits), limits)


def _points(found: Interval) -> Sequence[str]:
    digits = numbers.percent_digits(found.n)
    estimate, low, high = (
        numbers.percentage_points(value, digits) for value in (found.estimate, found.low, found.high)
    )
    return (estimate, f"{low} to {high}")


def _decimals(found: Interval) -> Sequence[str]:
    estimate, low, high = (numbers.decimal(value, 2) for value in (found.estimate, found.low, found.high))
    return (estimate, f"{low} to {high}")
