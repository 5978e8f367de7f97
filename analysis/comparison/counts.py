"""Two fractions straight from a notebook's margin: 9 of 9 against 14 of 22."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from analysis.comparison.headline import is_exact
from analysis.reading.claim import claim_of, disagrees
from analysis.reading.sentences import Arm, disagreement_sentence, headline_sentence
from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.proportions import proportion_interval
from analysis.stats.result import Interval, Test
from analysis.stats.score import score_test
from analysis.stats.two_groups import (
    barnard,
    boschloo,
    difference_interval,
    fisher,
    odds_ratio_interval,
    ratio_interval,
)


@dataclass(frozen=True)
class Counts:
    """What two counts alone can say; each routine is taken as another athlete's."""

    first: Interval
    second: Interval
    difference: Interval
    ratio: Interval
    odds_ratio: Interval
    tests: tuple[tuple[str, Test], ...]
    claim: str
    reading: str
    score: Test | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the answer of `landings counts --json`."""
        arms = {}
        for name, interval in (("first", self.first), ("second", self.second)):
            x, n = interval.counts[0]
            found = interval.to_dict()
            arms[name] = {
                "x": x,
                "n": n,
                "low": found.get("low"),
                "high": found.get("high"),
                "method": interval.method,
            }
        return {
            **arms,
            "difference": self.difference.to_dict(),
            "ratio": self.ratio.to_dict(),
            "odds_ratio": self.odds_ratio.to_dict(),
            "tests": {
                name: test.to_dict()["p_value"] if is_exact(test) else None for name, test in self.tests
            },
            "tests_why": {name: test.why for name, test in self.tests if test.why},
            "score_test": None if self.score is None else self.score.to_dict(),
            "claim": self.claim,
            "reading": self.reading,
        }

    def __str__(self) -> str:
        return f"{self.reading}\n{self.difference}"

    def _repr_html_(self) -> str:
        from analysis.comparison.display import counts_html

        return counts_html(self)


def compare_counts(
    x1: int, n1: int, x2: int, n2: int, level: float = 0.95, budget: Budget = DEFAULT
) -> Counts:
    """Compare x1 of n1 with x2 of n2 by the intervals and exact tests of a report.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Stuck and total in the first and in the second technique.
    level : float
        Confidence level of every interval.
    budget : Budget
        Past it the difference's interval is asymptotic and says so.

    Returns
    -------
    Counts

    Examples
    --------
    >>> compare_counts(9, 9, 14, 22).claim
    'first higher'
    """
    first = proportion_interval(x1, n1, level=level)
    second = proportion_interval(x2, n2, level=level)
    difference = difference_interval(x1, n1, x2, n2, method="exact", level=level, budget=budget)
    tests = (
        ("fisher", fisher(x1, n1, x2, n2)),
        ("boschloo", boschloo(x1, n1, x2, n2, budget=budget)),
        ("barnard", barnard(x1, n1, x2, n2, budget=budget)),
    )
    low, high = difference.low, difference.high
    empty = min(n1, n2) == 0
    # Past the budget the interval is asymptotic, and the test that belongs to it is printed with it.
    score = None if is_exact(difference) else score_test(x1, n1, x2, n2)
    beside = dict(tests)["barnard"] if score is None else score
    claim = "not shown" if empty else claim_of(low, high)
    reading = headline_sentence(
        outcome="stuck",
        first=Arm("the first technique", x1, n1, first.low, first.high),
        second=Arm("the second technique", x2, n2, second.low, second.high),
        estimate=None if empty else difference.estimate,
        limits=(low, high),
        level=level,
        claim=claim,
        why="a group has no routine" if empty else "",
    )
    if not empty and disagrees(low, high, beside.p_value, round(1 - level, 12)):
        reading += " " + disagreement_sentence(excludes=low > 0 or high < 0, clustered=False)
    return Counts(
        first,
        second,
        difference,
        ratio_interval(x1, n1, x2, n2, level=level),
        odds_ratio_interval(x1, n1, x2, n2, level=level),
        tests,
        claim,
        reading,
        score,
    )
