"""Which routine answers which situation, and why: one table, in the words that the report prints."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.stats.result import Alternative

if TYPE_CHECKING:
    from analysis.comparison.result import Outcome


@dataclass(frozen=True)
class Choice:
    """The interval and the test of a situation, and the reason that the report gives for them."""

    outcome: Outcome
    clustered: bool
    interval: str
    test: str
    reason: str


CHOICES: tuple[Choice, ...] = (
    Choice(
        "stuck",
        False,
        "exact",
        "barnard",
        "Each athlete counts once, so the groups are two independent binomial samples: the exact unconditional "
        "test with the pooled z statistic, and the interval that inverts it.",
    ),
    Choice(
        "stuck",
        True,
        "clustered difference",
        "athlete permutation",
        "Athletes come back, so routines are not independent: whole athletes are permuted for the p-value, and "
        "the interval uses an effective number of routines that allows for likeness within athletes.",
    ),
    Choice(
        "deduction",
        False,
        "score limits of two means",
        "permutation of the mean difference",
        "Each athlete counts once: the exact permutation distribution of the mean difference, with its ties, gives "
        "the p-value. The interval doesn't assume that one technique only shifts the other's deductions: in "
        "simulations of uneven groups the shifted permutation held 67 to 78 % where it promised 95 %.",
    ),
    Choice(
        "deduction",
        True,
        "clustered difference",
        "athlete permutation",
        "Athletes come back: whole athletes are permuted for the p-value, and the interval for the mean uses an "
        "effective number of routines.",
    ),
    Choice(
        "landing grade",
        False,
        "probability of superiority",
        "rank sum",
        "Landings are ordered categories and each athlete counts once: the exact rank-sum distribution with its "
        "ties, and the chance that a routine of the first technique lands better than one of the second.",
    ),
    Choice(
        "landing grade",
        True,
        "clustered superiority",
        "athlete permutation",
        "Landings are ordered categories and athletes come back: whole athletes are permuted over midranks, and "
        "the interval for the chance of the better landing counts athletes.",
    ),
)


PAST_BUDGET = (
    "Each athlete counts once, and exact work on so many routines would exceed the budget: the interval is the "
    "asymptotic score interval, and the test beside it is that interval's own."
)


def choose(outcome: Outcome, clustered: bool) -> Choice:
    """Return the row of the table for a situation.

    Parameters
    ----------
    outcome : {"stuck", "deduction", "landing grade"}
    clustered : bool
        Whether the plan treats athletes as clusters and at least one of them comes back.
    """
    for choice in CHOICES:
        if choice.outcome == outcome and choice.clustered == clustered:
            return choice
    raise ValueError(f"no routine for outcome {outcome!r}")


def alternative_of(sides: str) -> Alternative:
    """Return the alternative of a plan's `sides`: "more" asks whether the first technique's outcome is higher."""
    alternatives: dict[str, Alternative] = {"two": "two-sided", "more": "greater", "fewer": "less"}
    return alternatives[sides]
