"""Fisher's test and its weights: inference given both margins of a two by two table. The odds ratio: `odds_ratio`.

Given the totals of both groups and the number of successes over both, the successes t of the first group follow the
(noncentral) hypergeometric distribution P(t) proportional to w_t psi^t with w_t = C(n1, t) C(n2, m - t). Its weights
are log-concave in t, which is what makes every search here a short one.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.stats.proportions import NO_TRIALS
from analysis.stats.result import (
    Alternative,
    Test,
    check_alternative,
    check_count,
)

Floats = NDArray[np.float64]

# Up to this many trials all weights are held as exact integers (some milliseconds); past it as floats, and only
# weights that are nearly tied are compared as integers.
EXACT_TRIALS = 5000
_NEARLY_TIED = 1e-8
ASSUMES = "two independent binomials, judged given the number of successes over both groups"
NO_OTHER_TABLE = "the margins allow no other table, so these counts carry no information about the odds ratio"


def hypergeometric_weights(n1: int, n2: int, successes: int) -> tuple[int, list[int]]:
    """Exact weights C(n1, t) C(n2, successes - t) for every t that the margins allow.

    Assumes integers with 0 <= successes <= n1 + n2. Not for groups of many thousands: the integers have n1 + n2 bits.

    Returns
    -------
    (smallest t, list of weights)

    Examples
    --------
    >>> hypergeometric_weights(4, 4, 3)
    (0, [4, 24, 24, 4])
    """
    first, last = support(n1, n2, successes)
    weights = [math.comb(n1, first) * math.comb(n2, successes - first)]
    for t in range(first, last):
        up, down = (n1 - t) * (successes - t), (t + 1) * (n2 - successes + t + 1)
        weights.append(weights[-1] * up // down)
    return first, weights


def log_weights(n1: int, n2: int, successes: int) -> tuple[int, Floats]:
    """Logarithms of the same weights, relative to the largest: summed outwards from it, so that they stay accurate.

    Returns
    -------
    (smallest t, array of logarithms)

    Examples
    --------
    >>> log_weights(4, 4, 3)[1].round(4).tolist()
    [-1.7918, 0.0, 0.0, -1.7918]
    """
    first, last = support(n1, n2, successes)
    t = np.arange(first, last, dtype=float)
    ratios = np.log((n1 - t) * (successes - t)) - np.log((t + 1) * (n2 - successes + t + 1))
    top = int(np.count_nonzero(ratios > 0))
    below = -np.cumsum(ratios[:top][::-1])[::-1]
    return first, np.concatenate([below, [0.0], np.cumsum(ratios[top:])])


def support(n1: int, n2: int, successes: int) -> tuple[int, int]:
    """Smallest and largest count of the first group that the margins allow.

    Assumes integers with 0 <= successes <= n1 + n2.

    Examples
    --------
    >>> support(9, 22, 23)
    (1, 9)
    """
    return max(0, successes - n2), min(n1, successes)


def fisher(x1: int, n1: int, x2: int, n2: int, alternative: str = "two-sided", mid_p: bool = False) -> Test:
    """Fisher's exact test of equal rates.

    Assumes two independent binomials and judges the table among those with the same margins. Two-sided: the sum of
    the probabilities of all tables that are no more probable than the observed one, ties decided in integers.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Successes and trials in the first and the second group.
    alternative : {"two-sided", "greater", "less"}
        "greater" means that the first rate is higher.
    mid_p : bool
        Subtract half the probability of every table that is exactly as probable as the observed one. A mid-p is
        closer to the stated error rate on average but no longer bounds it.

    Returns
    -------
    Test
        `smallest` is the least p that these margins allow. If a group is empty, p is NaN with a reason.

    Raises
    ------
    ValueError
        If the counts are not whole numbers with 0 <= x <= n or the alternative is unknown.

    Examples
    --------
    >>> print(fisher(9, 9, 14, 22))
    p = 0.0677 (two-sided), Fisher's exact test, 31 observations

    Not for
    -------
    Repeated routines of one athlete: they are not independent trials (`clustered.athlete_permutation`).

    References
    ----------
    Fisher 1935, The Design of Experiments, chapter 2; Lancaster 1961, Journal of the American Statistical
    Association 56:223-234 (mid-p).
    """
    side = check_alternative(alternative)
    x1, n1 = check_count(x1, n1, "first")
    x2, n2 = check_count(x2, n2, "second")
    name = "Fisher's exact test, mid-p" if mid_p else "Fisher's exact test"
    if n1 == 0 or n2 == 0:
        return Test(math.nan, side, name, n1 + n2, assumes=ASSUMES, why=NO_TRIALS)
    successes = x1 + x2
    first, last = support(n1, n2, successes)
    least = min(fisher_p(t, n1, successes - t, n2, side, mid_p) for t in (first, last))
    return Test(
        p_value=float(fisher_p(x1, n1, x2, n2, side, mid_p)),
        alternative=side,
        method=name,
        n=n1 + n2,
        smallest=float(least),
        assumes=ASSUMES,
        why=NO_OTHER_TABLE if first == last else "",
    )


def fisher_p(
    x1: int, n1: int, x2: int, n2: int, alternative: Alternative = "two-sided", mid_p: bool = False
) -> Fraction | float:
    """The p of Fisher's test as a fraction, or past 5,000 trials as a float: the verdict that intervals follow.

    Assumes counts that were checked already; `fisher` is the routine to call.

    Examples
    --------
    >>> fisher_p(3, 3, 0, 3)
    Fraction(1, 10)
    """
    successes = x1 + x2
    exact = n1 + n2 <= EXACT_TRIALS
    if exact:
        first, integers = hypergeometric_weights(n1, n2, successes)
        weights: NDArray[Any] = np.array(integers, dtype=object)
    else:
        first, logs = log_weights(n1, n2, successes)
        weights = np.exp(logs)
    at = x1 - first
    if alternative != "two-sided":
        t = np.arange(len(weights))
        rarer, tied = (t > at if alternative == "greater" else t < at), t == at
    elif exact:
        rarer, tied = weights < weights[at], weights == weights[at]
    else:
        rarer, tied = _rarer_and_tied(logs, at, first, n1, n2, successes)
    above = 2 * weights[rarer].sum() + (1 if mid_p else 2) * weights[tied].sum()
    below = 2 * weights.sum()
    return Fraction(int(above), int(below)) if exact else min(1.0, float(above / below))


def _rarer_and_tied(
    logs: Floats, at: int, first: int, n1: int, n2: int, successes: int
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which weights are below the one at `at`, and which equal it; logarithms that nearly agree go to integers."""
    rarer, tied = logs < logs[at], np.zeros(len(logs), dtype=bool)
    for other in np.flatnonzero(np.abs(logs - logs[at]) < _NEARLY_TIED):
        order = _compare_weights(first + int(other), first + at, n1, n2, successes)
        rarer[other], tied[other] = order < 0, order == 0
    return rarer, tied


def _compare_weights(t: int, x: int, n1: int, n2: int, successes: int) -> int:
    """Sign of w_t - w_x in integers."""
    # Equal groups, or as many successes as failures, mirror the weights; anything else is multiplied out.
    if t == x or (n1 == n2 and t == successes - x) or (2 * successes == n1 + n2 and t == n1 - x):
        return 0
    steps = range(min(t, x), max(t, x))
    up = math.prod((n1 - j) * (successes - j) for j in steps)
    down = math.prod((j + 1) * (n2 - successes + j + 1) for j in steps)
    sign = (up > down) - (up < down)
    return sign if t > x else -sign
