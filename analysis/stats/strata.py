"""Several meets or rounds: exact conditional analysis of the common odds ratio, homogeneity, pooled differences.

Every routine takes a list of tables [[a, b], [c, d]]: the first row is the first technique (a stuck, b not), the
second row the second. A table in which a technique or an outcome is missing says nothing about an odds ratio, and
one in which a technique is missing says nothing about a difference; `why` counts what was left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
from scipy import optimize, stats

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.coherence import error_rate, settle
from analysis.stats.conditional_sum import ConditionalSum, exact_weights
from analysis.stats.homogeneity import breslow_day_test, zelen_test
from analysis.stats.paths import read_table
from analysis.stats.result import (
    Alternative,
    Effect,
    Interval,
    Test,
    check_alternative,
    check_choice,
    check_level,
)
from analysis.stats.score import restricted_rates

Tables = Iterable[Sequence[Sequence[int]]]
SMALLEST = float(np.finfo(float).tiny)


def read_tables(tables: Tables) -> list[tuple[int, int, int, int]]:
    """Return (x1, n1, x2, n2) per table, or raise ValueError for what is no list of 2 x 2 tables of counts."""
    found = []
    for number, table in enumerate(tables if isinstance(tables, Iterable) else []):
        cells = np.asarray(table, dtype=object)
        if cells.shape != (2, 2):
            raise ValueError(f"table {number} has shape {cells.shape}; each table is [[a, b], [c, d]]")
        try:
            a, b, c, d = (int(count) for count in read_table(cells).ravel())
        except ValueError as problem:
            raise ValueError(f"table {number}: {problem}") from None
        found.append((a, a + b, c, c + d))
    if not found:
        raise ValueError("no table was given; a list of [[a, b], [c, d]] is needed")
    return found


def common_odds_ratio(tables: Tables, level: float = 0.95, alternative: Alternative = "two-sided") -> Effect:
    """Exact conditional inference for one odds ratio that all tables share.

    Assumes independent routines and one odds ratio in every table. Given margins, the sum of first cells says it all.

    Parameters
    ----------
    tables : list of [[a, b], [c, d]]
    level : float
        Confidence level; alpha / 2 a side, edges included. One-sided alternatives put alpha on one side.
    alternative : {"two-sided", "greater", "less"}

    Returns
    -------
    Effect
        `estimate` is the conditional maximum-likelihood odds ratio, 0 or infinite at the edge; `statistic` the sum of
        the first cells. The two-sided `p_value` sums the probabilities that don't exceed the observed one; `mid_p`
        is the doubled one-sided mid-p. The interval belongs to the doubled one-sided p: it leaves out 1 exactly when
        that is at most 1 - level. Where the two-sided `p_value` says otherwise, `why` gives the doubled one.

    Raises
    ------
    ValueError
        For tables that aren't 2 x 2 counts.

    Examples
    --------
    >>> found = common_odds_ratio([[[9, 0], [14, 8]], [[3, 1], [5, 4]]])
    >>> round(found.estimate, 2), round(found.low, 2), round(found.p_value, 3)
    (7.27, 0.87, 0.07)

    References
    ----------
    Gart J. J. (1970) Biometrika 57:471-475. Mehta C. R., Patel N. R., Gray R. (1985) Journal of the American
    Statistical Association 80:969-973 (both from memory).
    """
    level, alternative = check_level(level), check_alternative(alternative)
    rows = read_tables(tables)
    informative = [row for row in rows if _carries_odds(row)]
    n = sum(n1 + n2 for _, n1, _, n2 in informative)
    why = _left_out(len(rows) - len(informative), "carry no information about an odds ratio")
    names: dict[str, Any] = {
        "quantity": "common odds ratio",
        "level": level,
        "alternative": alternative,
        "method": "exact conditional test of a common odds ratio",
        "interval_method": "exact conditional interval (two one-sided tests)",
        "n": n,
        "assumes": "independent routines and one odds ratio in all strata",
    }
    if not informative:
        return Effect(estimate=math.nan, low=0.0, high=math.inf, p_value=1.0, mid_p=1.0, why=why, **names)
    total = ConditionalSum(informative)
    lower, upper = total.tails(0.0)
    point = total.point(0.0)
    if alternative == "greater":
        p, mid = upper, upper - point / 2
    elif alternative == "less":
        p, mid = lower, lower - point / 2
    else:
        p, mid = _small_probabilities(total, informative), min(1.0, 2 * (min(lower, upper) - point / 2))
    tail = (1 - level) / 2 if alternative == "two-sided" else 1 - level
    # At the edge of the support no odds ratio is too small (or too large), and the limit is that of the scale.
    low, high = 0.0, math.inf
    if alternative != "less" and total.at_least:
        low = _root(lambda t: total.tails(t)[1] - tail)
    if alternative != "greater" and total.at_most:
        high = _root(lambda t: tail - total.tails(t)[0])
    own_p = p if alternative != "two-sided" else min(1.0, 2 * min(lower, upper))
    rejected = own_p <= error_rate(level)
    low, high = settle(low, high, 1.0, rejected)
    if rejected != (p <= error_rate(level)):
        why += "; " * bool(why) + f"the interval belongs to the doubled one-sided p, which is {own_p:.4f}"
    return Effect(
        estimate=_conditional_estimate(total),
        low=low,
        high=high,
        p_value=min(1.0, max(p, SMALLEST)),
        mid_p=mid,
        statistic=float(total.observed),
        why=why,
        **names,
    )


def zelen(tables: Tables, budget: Budget = DEFAULT, seed: int = 0) -> Test:
    """Exact test that the odds ratio is the same in all tables.

    Assumes independent routines. Given all margins and the sum of the first cells, the tables' probabilities don't
    depend on the common odds ratio.

    Parameters
    ----------
    tables : list of [[a, b], [c, d]]
    budget : Budget
        Past `budget.operations` sets of tables, they are drawn at random and `error` is the standard error of p.
    seed : int
        Seed of those draws.

    Returns
    -------
    Test
        `p_value` (= `bound`) sums the probabilities of all sets of tables that are not likelier than the observed
        one; ties are decided in integers. 1 with `why` where the margins allow one set only.

    Examples
    --------
    >>> round(zelen([[[9, 0], [14, 8]], [[1, 6], [5, 4]]]).p_value, 4)
    0.0301

    References
    ----------
    Zelen M. (1971) Biometrika 58:129-137.
    """
    rows = [row for row in read_tables(tables) if _carries_odds(row)]
    return zelen_test(rows, budget, seed)


def breslow_day(tables: Tables, corrected: bool = True) -> Test:
    """Asymptotic test that the odds ratio is the same in all tables, around Mantel–Haenszel's common odds ratio.

    Assumes independent routines and large tables: `zelen` is exact and needs neither.

    Parameters
    ----------
    tables : list of [[a, b], [c, d]]
    corrected : bool
        With Tarone's correction (default), or the statistic as Breslow and Day gave it.

    Returns
    -------
    Test
        NaN with `why` when fewer than two tables carry information or the common odds ratio is 0 or infinite.

    Raises
    ------
    ValueError
        For tables that aren't 2 x 2 counts.

    Examples
    --------
    >>> round(breslow_day([[[9, 1], [14, 8]], [[1, 6], [5, 4]]]).p_value, 4)
    0.0221

    References
    ----------
    Breslow N. E., Day N. E. (1980) Statistical Methods in Cancer Research 1:142. Tarone R. E. (1985) Biometrika
    72:91-95.
    """
    rows = [row for row in read_tables(tables) if _carries_odds(row)]
    common = mantel_haenszel_odds_ratio(tables).estimate if rows else math.nan
    return breslow_day_test(rows, common, corrected)


def mantel_haenszel_odds_ratio(tables: Tables, level: float = 0.95) -> Interval:
    """Mantel–Haenszel's common odds ratio with the interval of Robins, Breslow and Greenland.

    Assumes independent routines and one odds ratio in all tables. Asymptotic; where a sum of products is 0 the
    estimate is 0, infinite or NaN, and the interval says so.

    Examples
    --------
    >>> round(mantel_haenszel_odds_ratio([[[9, 1], [14, 8]], [[3, 1], [5, 4]]]).estimate, 2)
    3.86

    References
    ----------
    Robins J., Breslow N., Greenland S. (1986) Biometrics 42:311-323.
    """
    level = check_level(level)
    rows = [row for row in read_tables(tables) if row[1] and row[3]]
    n = sum(n1 + n2 for _, n1, _, n2 in rows)
    method = "Mantel–Haenszel, Robins–Breslow–Greenland interval"
    cells = np.array([(x1, n1 - x1, x2, n2 - x2) for x1, n1, x2, n2 in rows], dtype=float).reshape(-1, 4)
    a, b, c, d = cells.T
    size = cells.sum(axis=1)
    r, s = a * d / size, b * c / size
    if r.sum() == 0 or s.sum() == 0:
        estimate = math.nan if r.sum() == s.sum() else (0.0 if r.sum() == 0 else math.inf)
        why = "a product of counts is 0 in every stratum, so the asymptotic interval says nothing"
        return Interval("common odds ratio", estimate, 0.0, math.inf, level, method, n, why=why)
    estimate = r.sum() / s.sum()
    p, q = (a + d) / size, (b + c) / size
    variance = (
        (p * r).sum() / (2 * r.sum() ** 2)
        + (p * s + q * r).sum() / (2 * r.sum() * s.sum())
        + (q * s).sum() / (2 * s.sum() ** 2)
    )
    half = stats.norm.ppf((1 + level) / 2) * math.sqrt(variance)
    return Interval(
        "common odds ratio",
        float(estimate),
        float(estimate * math.exp(-half)),
        float(estimate * math.exp(half)),
        level,
        method,
        n,
        assumes="independent routines and one odds ratio in all strata; large samples",
    )


def mantel_haenszel_difference(tables: Tables, level: float = 0.95, variance: str = "score") -> Interval:
    """Mantel–Haenszel's difference of rates within strata: weights n1 n2 / (n1 + n2), first minus second.

    Assumes independent routines, and that strata share one difference or that its weighted mean is wanted.

    Parameters
    ----------
    tables : list of [[a, b], [c, d]]
    level : float
    variance : {"score", "sato", "greenland-robins"}
        "score" (default) solves for the differences that a score statistic with restricted rates accepts, and has
        limits also where every routine was stuck. The two others are Wald intervals: they shrink to a point there.

    Returns
    -------
    Interval
        NaN with `why` when no stratum holds both techniques.

    Raises
    ------
    ValueError
        For an unknown variance, or tables that aren't 2 x 2 counts.

    Examples
    --------
    >>> found = mantel_haenszel_difference([[[9, 0], [14, 8]], [[3, 1], [5, 4]]])
    >>> round(found.estimate, 3), round(found.low, 3), round(found.high, 3)
    (0.312, 0.014, 0.514)

    References
    ----------
    Greenland S., Robins J. M. (1985) Biometrics 41:55-68. Sato T. (1989) Biometrics 45:1323-1324. Miettinen O.,
    Nurminen M. (1985) Statistics in Medicine 4:213-226, section on stratified data.
    """
    level = check_level(level)
    check_choice("variance", variance, ("score", "sato", "greenland-robins"))
    rows = read_tables(tables)
    usable = [row for row in rows if row[1] and row[3]]
    why = _left_out(len(rows) - len(usable), "hold one technique only")
    name = {"score": "stratified score", "sato": "Sato", "greenland-robins": "Greenland–Robins"}[variance]
    names: dict[str, Any] = {
        "level": level,
        "method": f"Mantel–Haenszel difference, {name} interval",
        "n": sum(row[1] + row[3] for row in usable),
        "assumes": "independent routines; the strata's weighted mean difference",
    }
    if not usable:
        none = "no stratum holds both techniques"
        return Interval("difference within strata", math.nan, math.nan, math.nan, **names, why=none)
    x1, n1, x2, n2 = (np.array(column, dtype=float) for column in zip(*usable, strict=True))
    weight = n1 * n2 / (n1 + n2)
    estimate = float((weight * (x1 / n1 - x2 / n2)).sum() / weight.sum())
    quantile = float(stats.norm.ppf((1 + level) / 2))
    if variance == "score":
        low, high = _stratified_score(x1, n1, x2, n2, weight, estimate, quantile)
    else:
        spread = _sato(x1, n1, x2, n2, estimate) if variance == "sato" else _greenland_robins(x1, n1, x2, n2)
        half = quantile * math.sqrt(max(0.0, spread)) / float(weight.sum())
        low, high = max(-1.0, estimate - half), min(1.0, estimate + half)
    return Interval("difference within strata", estimate, low, high, **names, why=why)


def _sato(x1: np.ndarray, n1: np.ndarray, x2: np.ndarray, n2: np.ndarray, difference: float) -> float:
    size = n1 + n2
    p = (n1**2 * x2 - n2**2 * x1 + n1 * n2 * (n2 - n1) / 2) / size**2
    q = (x1 * (n2 - x2) + x2 * (n1 - x1)) / (2 * size)
    return float(difference * p.sum() + q.sum())


def _greenland_robins(x1: np.ndarray, n1: np.ndarray, x2: np.ndarray, n2: np.ndarray) -> float:
    size = n1 + n2
    return float(((x1 * (n1 - x1) * n2**3 + x2 * (n2 - x2) * n1**3) / (n1 * n2 * size**2)).sum())


def _stratified_score(
    x1: np.ndarray,
    n1: np.ndarray,
    x2: np.ndarray,
    n2: np.ndarray,
    weight: np.ndarray,
    estimate: float,
    quantile: float,
) -> tuple[float, float]:
    """Solve (estimate - d) / se(d) = +-quantile, with each stratum's rates restricted to differ by d."""
    share = weight / weight.sum()
    size = n1 + n2

    def statistic(difference: float) -> float:
        rate1, rate2 = restricted_rates(x1, n1, x2, n2, difference)
        variance = (rate1 * (1 - rate1) / n1 + rate2 * (1 - rate2) / n2) * size / np.maximum(size - 1, 1)
        spread = math.sqrt(float((share**2 * variance).sum()))
        gap = estimate - difference
        if spread == 0:
            return 0.0 if gap == 0 else math.copysign(math.inf, gap)
        return gap / spread

    def limit(edge: float, target: float) -> float:
        # The statistic falls from the lower edge to the upper one; at an edge it may never reach the target.
        near = edge * (1 - 1e-12)
        if (statistic(near) - target) * (statistic(estimate) - target) > 0 or estimate == edge:
            return edge
        low, high = sorted((near, estimate))
        clipped: Callable[[float], float] = lambda d: min(1e6, max(-1e6, statistic(d) - target))  # noqa: E731
        return float(optimize.brentq(clipped, low, high, xtol=1e-12, rtol=1e-14))

    return limit(-1.0, quantile), limit(1.0, -quantile)


def _carries_odds(row: tuple[int, int, int, int]) -> bool:
    x1, n1, x2, n2 = row
    return n1 > 0 and n2 > 0 and 0 < x1 + x2 < n1 + n2


def _left_out(tables: int, what: str) -> str:
    return f"{tables} of the strata {what} and are left out" if tables else ""


def _root(gap: Callable[[float], float]) -> float:
    """Return the odds ratio at whose logarithm a rising `gap` is 0."""
    return math.exp(float(optimize.brentq(gap, -700.0, 700.0, xtol=1e-13, rtol=1e-14)))


def _conditional_estimate(total: ConditionalSum) -> float:
    if not total.at_least and not total.at_most:
        return math.nan
    if not total.at_least:
        return 0.0
    if not total.at_most:
        return math.inf
    return _root(lambda t: total.mean(t) - total.observed)


def _small_probabilities(total: ConditionalSum, rows: list[tuple[int, int, int, int]]) -> float:
    """Sum the probabilities at odds ratio 1 that don't exceed the observed one; ties are decided in integers."""
    chances = total.chances(0.0)
    seen = chances[total.place]
    # The floats are products and sums of positive terms: far closer than this. Only what lies within is in doubt.
    slack = 1e-9
    counted = chances <= seen * (1 - slack)
    doubtful = (~counted) & (chances <= seen * (1 + slack))
    if doubtful.sum() > 1:
        weights = exact_weights(rows)
        if weights is not None:
            doubtful &= np.array([weight <= weights[total.place] for weight in weights])
    return float(min(1.0, chances[counted | doubtful].sum()))
