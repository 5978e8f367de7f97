"""Exact unconditional tests of two proportions: Barnard's and Boschloo's, with a certified p-value.

The p-value is the largest probability, over the common rate that the null hypothesis leaves open, of a table as
extreme as the observed one. Which tables are as extreme is decided exactly (`rejection.py`); the maximum is found
with a proof (`bernstein.py`): the true supremum lies between `attained` and `bound`, and `bound` is reported.
"""

from __future__ import annotations

import math

from scipy.special import betaincinv

from analysis.stats.bernstein import Floats, certified_maximum
from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.rejection import (
    SMALLEST,
    fisher_greater_region,
    fisher_two_sided_region,
    pooled_z_region,
    relative_error,
)
from analysis.stats.result import Alternative, Test, check_alternative, check_count

ASSUMES = "two independent binomial samples; one routine per athlete"
NO_ROUTINES = "a group without routines has no rate to compare"


def barnard(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    alternative: str = "two-sided",
    gamma: float = 0.0,
    budget: Budget = DEFAULT,
) -> Test:
    """Test that two rates are equal by Barnard's exact unconditional test, tables ordered by the pooled z.

    Assumes two independent binomial samples: each routine counts once, and no athlete comes twice.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Stuck and total in the first and the second group.
    alternative : {"two-sided", "greater", "less"}
        "greater" means that the first rate is higher. One-sided p-values are taken at equal rates, where they are
        largest.
    gamma : float
        0 (the default) maximises over every common rate. A positive gamma maximises over the Clopper-Pearson
        interval of level 1 - gamma for the common rate and adds gamma (Berger and Boos 1994).
    budget : Budget
        Past it the normal approximation is returned, and `why` says so.

    Returns
    -------
    Test
        `p_value` is `bound`; the true value is at least `attained`, and the two differ by less than 1e-9 of it up to
        4,000 routines.
        `statistic` is the pooled z. For a group of size 0 the p-value is NaN and `why` says so.

    Raises
    ------
    ValueError
        For counts that are not whole or not within 0 <= x <= n, an unknown alternative, gamma outside [0, 1).

    Notes
    -----
    Not for repeated routines of one athlete (use the permutation of athletes), and not for more than two groups.

    Examples
    --------
    >>> found = barnard(9, 9, 14, 22)
    >>> print(found)
    p = 0.0383 (two-sided), Barnard, pooled z, 31 observations
    >>> found.bound - found.attained < 1e-9
    True

    References
    ----------
    Barnard GA (1947). Significance tests for 2x2 tables. Biometrika 34, 123-138.
    Suissa S, Shuster JJ (1985). Exact unconditional sample sizes for the 2 x 2 binomial trial. Journal of the Royal
    Statistical Society A 148, 317-327.
    Berger RL, Boos DD (1994). P values maximized over a confidence set for the nuisance parameter. Journal of the
    American Statistical Association 89, 1012-1016.
    """
    return _test("Barnard, pooled z", x1, n1, x2, n2, alternative, gamma, budget)


def boschloo(
    x1: int,
    n1: int,
    x2: int,
    n2: int,
    alternative: str = "two-sided",
    gamma: float = 0.0,
    budget: Budget = DEFAULT,
) -> Test:
    """Test that two rates are equal by Boschloo's exact unconditional test, tables ordered by Fisher's p.

    Assumes two independent binomial samples: each routine counts once, and no athlete comes twice. The two-sided
    test orders by the two-sided Fisher p (sum of small probabilities), the one-sided tests by the one-sided p. It is
    uniformly more powerful than Fisher's test.

    Parameters
    ----------
    x1, n1, x2, n2, alternative, gamma, budget
        As in `barnard`.

    Returns
    -------
    Test
        As in `barnard`; `statistic` is the Fisher p that orders the tables.

    Raises
    ------
    ValueError
        As in `barnard`.

    Notes
    -----
    There is no partner interval here; for an interval that belongs to its test use `barnard` and `exact_difference`.
    Doubling the smaller one-sided p is another test, and differs when the groups differ in size.

    Examples
    --------
    >>> print(boschloo(9, 9, 14, 22))
    p = 0.0472 (two-sided), Boschloo, Fisher p, 31 observations

    References
    ----------
    Boschloo RD (1970). Raised conditional level of significance for the 2 x 2-table when testing the equality of two
    probabilities. Statistica Neerlandica 24, 1-9.
    """
    return _test("Boschloo, Fisher p", x1, n1, x2, n2, alternative, gamma, budget)


def _test(
    method: str, x1: int, n1: int, x2: int, n2: int, alternative: str, gamma: float, budget: Budget
) -> Test:
    x1, n1 = check_count(x1, n1, "first")
    x2, n2 = check_count(x2, n2, "second")
    side = check_alternative(alternative)
    if isinstance(gamma, bool) or not 0 <= float(gamma) < 1:
        raise ValueError(f"gamma is {gamma!r}; it lies between 0 and 1, 1 excluded, such as 0.0001")
    size = n1 + n2
    if n1 == 0 or n2 == 0:
        return Test(math.nan, side, method, size, assumes=ASSUMES, why=NO_ROUTINES)
    statistic = _pooled_z(x1, n1, x2, n2)
    if not budget.allows(operations=_work(n1, n2)):
        return _approximate(statistic, side, size)
    if gamma > 0:
        method += f", Berger\N{EN DASH}Boos gamma {gamma:g}"
    # Rows of tables are shortest with the smaller group first; a lower tail is an upper tail of what wasn't stuck.
    swap = n1 > n2
    first, second = ((x2, n2), (x1, n1)) if swap else ((x1, n1), (x2, n2))
    if side != "two-sided" and swap != (side == "less"):
        first, second = (first[1] - first[0], first[1]), (second[1] - second[0], second[1])
    ordered: tuple[int, int, int, int] = (*first, *second)
    if method.startswith("Barnard"):
        region = pooled_z_region(*ordered, "two-sided" if side == "two-sided" else "greater")
    else:
        find = fisher_two_sided_region if side == "two-sided" else fisher_greater_region
        region, statistic = find(*ordered)
    low, high = _rates(first[0] + second[0], size, float(gamma)) if gamma > 0 else (0.0, 1.0)
    attained, bound = _bracket(region, low, high, size)
    attained, bound = min(1.0, attained + gamma), min(1.0, bound + gamma)
    return Test(bound, side, method, size, statistic, attained, bound, assumes=ASSUMES)


def _bracket(region: Floats, low: float, high: float, size: int) -> tuple[float, float]:
    """The certified maximum of the region's probability, widened by the error of its coefficients."""
    if region.max() < SMALLEST:
        return 0.0, SMALLEST
    error = 2 * relative_error(size)
    found = certified_maximum(region, low, high)
    if region.min() == 1:
        return 1.0, 1.0
    return found.attained * (1 - error), min(1.0, found.bound * (1 + error))


def _rates(total: int, size: int, gamma: float) -> tuple[float, float]:
    """Clopper-Pearson interval of level 1 - gamma for the common rate, rounded outward."""
    low = betaincinv(total, size - total + 1, gamma / 2) if total > 0 else 0.0
    high = 1 - betaincinv(size - total, total + 1, gamma / 2) if total < size else 1.0
    return max(0.0, float(low) * (1 - 1e-12)), min(1.0, float(high) * (1 + 1e-12))


def _pooled_z(x1: int, n1: int, x2: int, n2: int) -> float:
    """The difference of the rates over its standard error at the pooled rate; 0 when all or none are stuck."""
    size, total = n1 + n2, x1 + x2
    if total in (0, size):
        return 0.0
    return (x1 * n2 - x2 * n1) * math.sqrt(size / (n1 * n2 * total * (size - total)))


def _work(n1: int, n2: int) -> float:
    """Elementary operations of an exact unconditional test, roughly."""
    size = n1 + n2
    return 60.0 * (size + 1) * (min(n1, n2) + 1) + 1e4 * size


def _approximate(z: float, side: Alternative, size: int) -> Test:
    upper = {"two-sided": 2 * _normal_tail(abs(z)), "greater": _normal_tail(z), "less": _normal_tail(-z)}
    return Test(
        upper[side],
        side,
        "score test, pooled z (asymptotic)",
        size,
        z,
        assumes=ASSUMES,
        why="the exact test would exceed the budget; this is its normal approximation",
    )


def _normal_tail(z: float) -> float:
    return 0.5 * math.erfc(z / math.sqrt(2))
