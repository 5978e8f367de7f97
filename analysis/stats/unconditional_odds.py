"""Exact unconditional interval for the odds ratio of two proportions.

It turns round the exact unconditional test with the score statistic for the odds ratio, which at an odds ratio of 1 is
Barnard's: the interval is the hull of the values that the test accepts. `certified_odds` finds each limit with a proof
that nothing beyond it is accepted.
"""

from __future__ import annotations

import math
from fractions import Fraction

from scipy.optimize import brentq
from scipy.special import ndtri

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.certified_odds import lower_limit_of_odds_ratio, odds_ratio_score
from analysis.stats.coherence import error_rate, settle
from analysis.stats.conditional import NO_OTHER_TABLE
from analysis.stats.result import Alternative, Interval, check_alternative, check_count, check_level
from analysis.stats.unconditional_intervals import EN_DASH, PAST_BUDGET
from analysis.stats.unconditional_tests import ASSUMES, NO_ROUTINES, barnard

Table = tuple[int, int, int, int]


def _exact_limits(table: Table, level: float, side: Alternative) -> tuple[float, float, list[str]]:
    """Limits of the odds ratio and what has to be said about them; the upper limit is that of the swapped groups."""
    x1, n1, x2, n2 = table
    alpha = error_rate(level)
    accepted = Fraction(barnard(*table, alternative=side).p_value) > alpha
    low, high, early = 0.0, math.inf, False
    both_tails = side == "two-sided"
    if side != "less":
        found, located = lower_limit_of_odds_ratio(table, alpha, both_tails, accepted)
        low, early = _rounded_down(found), not located
    if side != "greater":
        found, located = lower_limit_of_odds_ratio((x2, n2, x1, n1), alpha, both_tails, accepted)
        high, early = 1 / _rounded_down(found) if found > -math.inf else math.inf, early or not located
    low, high = settle(low, high, 1.0, not accepted)
    remarks = []
    if not accepted and low <= 1 <= high:
        remarks.append(
            "an odds ratio of 1 is rejected, but values beyond it are accepted: the interval spans the gap"
        )
    if early:
        remarks.append("the search for a limit ended early, and the limit is rounded outward")
    return low, high, remarks


def _asymptotic_limits(table: Table, level: float, side: Alternative) -> tuple[float, float, list[str]]:
    """Where the score, with Miettinen and Nurminen's factor (N - 1) / N of its square, is a normal quantile."""
    x1, n1, x2, n2 = table
    size = n1 + n2
    error = float(error_rate(level)) / (2 if side == "two-sided" else 1)
    wanted = max(1e-9, -float(ndtri(error))) * math.sqrt(size / (size - 1))
    far = 2 * math.log(size) + 60

    def low(a: int, n: int, b: int, m: int) -> float:
        if a == 0 or b == m:
            return 0.0
        return math.exp(
            brentq(lambda s: float(odds_ratio_score(a, n, b, m, s)) - wanted, -far, far, xtol=1e-12)
        )

    lower = 0.0 if side == "less" else low(*table)
    upper = 0.0 if side == "greater" else low(x2, n2, x1, n1)
    return lower, 1 / upper if upper else math.inf, [PAST_BUDGET]


def _rounded_down(s: float) -> float:
    """The odds ratio of a logarithm, 1 or a little less than the float: two units, so that 1 / it is rounded up."""
    return math.exp(s) * (1 - 2**-51) if s else 1.0


def _fits(n1: int, n2: int, budget: Budget) -> bool:
    """Whether an interval stays within the budget: its elementary operations and cells, roughly."""
    return budget.allows(operations=3e5 * (n1 + n2) ** 1.5, cells=60.0 * (n1 + 1) * (n2 + 1))


def exact_odds_ratio(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    level: float = 0.95,
    alternative: str = "two-sided",
    budget: Budget = DEFAULT,
) -> Interval:
    """Exact unconditional confidence interval for the odds ratio of two rates, first over second.

    Assumes two independent binomial samples: each routine counts once, and no athlete comes twice.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Stuck and total in the first and the second group.
    level : float
        Confidence level.
    alternative : {"two-sided", "greater", "less"}
        "two-sided" turns round one two-sided test and belongs to `barnard`: 1 is inside when its p exceeds 1 - level.
        "greater" gives a lower limit with the whole error on its side and infinity as the other end; "less" an upper
        limit and 0.
    budget : Budget
        Past it a Miettinen-Nurminen score interval is returned, and `why` says so.

    Returns
    -------
    Interval
        The hull of the odds ratios that are not rejected, rounded outward by at most 1e-8 of each limit; the
        reciprocal when the groups or the outcomes are swapped. The estimate is the ratio of the observed odds, with an
        empty cell 0 or infinite and the limit on that side with it. Where the accepted set has a gap at 1, `why` says
        so. With nothing or everything stuck in both groups, or an empty group, it is 0 to infinity, the estimate NaN.

    Raises
    ------
    ValueError
        For counts that are not whole or not within 0 <= x <= n, a level outside (0, 1), an unknown alternative.

    Notes
    -----
    Not for repeated routines of one athlete, and not to be read as a ratio of rates. p as a function of the odds ratio
    has spikes, mostly where the rates are far from the observed ones, and the interval is as wide as they make it.

    Examples
    --------
    >>> found = exact_odds_ratio(9, 9, 14, 22)
    >>> round(found.low, 4), found.high, found.why
    (1.1079, inf, 'an empty cell makes the estimate infinite')

    References
    ----------
    Miettinen O, Nurminen M (1985). Comparative analysis of two rates. Statistics in Medicine 4, 213-226.
    Agresti A, Min Y (2002). Unconditional small-sample confidence intervals for the odds ratio. Biostatistics 3,
    379-386.
    """
    x1, n1 = check_count(x1, n1, "first")
    x2, n2 = check_count(x2, n2, "second")
    level, side = check_level(level), check_alternative(alternative)
    first, second = x1 * (n2 - x2), x2 * (n1 - x1)
    estimate = first / second if second else math.inf if first else math.nan
    method = "exact unconditional, " + (f"Agresti{EN_DASH}Min" if side == "two-sided" else "score statistic")
    low, high, remarks = 0.0, math.inf, []
    if n1 == 0 or n2 == 0:
        estimate, remarks = math.nan, [NO_ROUTINES]
    elif x1 + x2 in (0, n1 + n2):
        remarks = [NO_OTHER_TABLE]
    else:
        if _fits(n1, n2, budget):
            low, high, remarks = _exact_limits((x1, n1, x2, n2), level, side)
        else:
            method = f"Miettinen{EN_DASH}Nurminen score (asymptotic)"
            low, high, remarks = _asymptotic_limits((x1, n1, x2, n2), level, side)
        if first == 0 or second == 0:
            remarks.insert(0, f"an empty cell makes the estimate {'infinite' if first else '0'}")
    return Interval(
        "odds ratio",
        estimate,
        low,
        high,
        level,
        method,
        n1 + n2,
        ((x1, n1), (x2, n2)),
        ASSUMES,
        "; ".join(remarks),
    )
