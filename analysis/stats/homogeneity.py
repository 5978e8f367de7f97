"""Is the odds ratio the same in all strata? Zelen's exact test, and the asymptotic one of Breslow and Day."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import stats

from analysis.stats.budget import Budget
from analysis.stats.chains import chain_tail, tilt_to_total, tilted
from analysis.stats.paths import Ints, Meter, OverBudget, factorials
from analysis.stats.result import Test

Row = tuple[int, int, int, int]
METHOD = "Zelen's exact test of one odds ratio in all strata"
ASSUMES = "independent routines"


def zelen_test(rows: Sequence[Row], budget: Budget, seed: int) -> Test:
    """Test homogeneity for (x1, n1, x2, n2) per stratum, every one of them informative."""
    n = sum(n1 + n2 for _, n1, _, n2 in rows)
    numbers = factorials(n)
    least = [max(0, x1 + x2 - n2) for x1, n1, x2, n2 in rows]
    keys = [_keys(row, numbers.keys) for row in rows]
    places = [row[0] - low for row, low in zip(rows, least, strict=True)]
    total = sum(places)
    spare = sum(len(key) - 1 for key in keys) - total
    if total == 0 or spare == 0 or sum(len(key) > 1 for key in keys) < 2:
        why = "the margins allow one set of tables only, so it carries no information"
        return Test(
            1.0, "two-sided", METHOD, n, smallest=1.0, attained=1.0, bound=1.0, assumes=ASSUMES, why=why
        )
    observed = sum(int(key[place]) for key, place in zip(keys, places, strict=True))
    try:
        attained, bound = chain_tail(keys, total, observed, numbers.scale, numbers.guard, Meter(budget))
    except OverBudget:
        reached = _reached(keys, total, observed - numbers.guard, numbers.scale, budget.draws, seed)
        p = (reached + 1) / (budget.draws + 1)
        error = math.sqrt(p * (1 - p) / budget.draws)
        why = f"the sets of tables are too many for the budget; {budget.draws:,} were drawn"
        method = f"{METHOD}, Monte Carlo"
        return Test(p, "two-sided", method, n, draws=budget.draws, error=error, assumes=ASSUMES, why=why)
    return Test(bound, "two-sided", METHOD, n, attained=attained, bound=bound, assumes=ASSUMES)


def breslow_day_test(rows: Sequence[Row], odds_ratio: float, corrected: bool) -> Test:
    """Compare each stratum with what the common odds ratio makes expected, for informative (x1, n1, x2, n2)."""
    n = sum(n1 + n2 for _, n1, _, n2 in rows)
    method = (
        "Tarone's test of one odds ratio in all strata" if corrected else "Breslow–Day test of one odds ratio"
    )
    assumes = "independent routines; large strata"
    if len(rows) < 2 or not 0 < odds_ratio < math.inf:
        why = "needs two strata or more with information and a common odds ratio between 0 and infinity"
        return Test(math.nan, "two-sided", method, n, assumes=assumes, why=why)
    gaps, variances = [], []
    for x1, n1, x2, n2 in rows:
        expected = _expected(x1 + x2, n1, n2, odds_ratio)
        cells = expected, n1 - expected, x1 + x2 - expected, n2 - x1 - x2 + expected
        gaps.append(x1 - expected)
        variances.append(1 / sum(1 / cell for cell in cells))
    statistic = sum(gap**2 / variance for gap, variance in zip(gaps, variances, strict=True))
    if corrected:
        statistic -= sum(gaps) ** 2 / sum(variances)
    p = float(stats.chi2.sf(statistic, len(rows) - 1))
    return Test(p, "two-sided", method, n, statistic=statistic, assumes=assumes)


def _expected(stuck: int, n1: int, n2: int, odds_ratio: float) -> float:
    """The first cell with these margins whose table has this odds ratio: the root inside the support."""
    # a (n2 - stuck + a) = odds_ratio (n1 - a) (stuck - a), a quadratic in a.
    square = 1 - odds_ratio
    linear = n2 - stuck + odds_ratio * (n1 + stuck)
    constant = -odds_ratio * n1 * stuck
    root = math.sqrt(linear**2 - 4 * square * constant)
    return (
        -2 * constant / (linear + root)
    )  # this form of the root has no cancellation, also at odds_ratio = 1


def _keys(row: Row, key: Ints) -> Ints:
    """Keys of C(n1, a) C(n2, stuck - a), up to a constant, for every a that the margins allow."""
    x1, n1, x2, n2 = row
    a = np.arange(max(0, x1 + x2 - n2), min(n1, x1 + x2) + 1)
    return np.asarray(key[a] + key[n1 - a] + key[x1 + x2 - a] + key[n2 - x1 - x2 + a])


def _reached(keys: Sequence[Ints], total: int, limit: int, scale: float, draws: int, seed: int) -> int:
    """Draw sets of tables given their sum, stratum by stratum, and count the keys of `limit` or more."""
    rng = np.random.default_rng(seed)
    logs = [-key / scale for key in keys]
    theta = tilt_to_total(logs, total)
    chances = [tilted(log, theta) for log in logs]
    rests = [np.ones(1)]
    for chance in reversed(chances[1:]):
        rests.append(np.convolve(rests[-1], chance))
    left = np.full(draws, total)
    score = np.zeros(draws, dtype=np.int64)
    for key, chance, rest in zip(keys, chances, reversed(rests), strict=True):
        order = np.argsort(left, kind="stable")
        values, starts = np.unique(left[order], return_index=True)
        for still, here in zip(values, np.split(order, starts[1:]), strict=True):
            choices = np.arange(max(0, still - len(rest) + 1), min(len(key) - 1, still) + 1)
            line = np.cumsum(chance[choices] * rest[still - choices])
            drawn = choices[np.searchsorted(line, rng.random(len(here)) * line[-1], side="right")]
            score[here] += key[drawn]
            left[here] -= drawn
    return int((score >= limit).sum())
