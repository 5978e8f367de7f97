"""Koopman's score interval of the ratio of two rates."""

from __future__ import annotations

import math

from scipy.optimize import brentq
from scipy.special import ndtri

from analysis.stats.coherence import error_rate, settle
from analysis.stats.proportions import NO_TRIALS
from analysis.stats.result import Interval, check_count, check_level
from analysis.stats.score import ASSUMES, score_test


def koopman(x1: int, n1: int, x2: int, n2: int, level: float = 0.95) -> Interval:
    """Score interval of the ratio of two rates, first over second.

    Assumes two independent binomial counts and a normal score. Swapping the groups gives the reciprocals. Agrees with
    the pooled z without N/(N-1): it leaves 1 out exactly when that p is at most 1 - level.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Successes and trials in the first and the second group.
    level : float
        Confidence level.

    Returns
    -------
    Interval
        With no success in the second group the estimate and the upper limit are infinite; with none at all the
        estimate is NaN and the interval 0 to infinity.

    Raises
    ------
    ValueError
        If the counts are not whole numbers with 0 <= x <= n or the level is out of range.

    Examples
    --------
    >>> print(koopman(36, 40, 16, 80))
    ratio 4.5000 (95 % 2.9396 to 7.1522), Koopman, 36 of 40 and 16 of 80

    Not for
    -------
    A claim that must hold its error rate in small groups: the exact interval does.

    References
    ----------
    Koopman 1984, Biometrics 40:513-517; Nam 1995, Biometrical Journal 37:721-725.
    """
    level = check_level(level)
    x1, n1 = check_count(x1, n1, "first")
    x2, n2 = check_count(x2, n2, "second")
    z = -float(ndtri(float(error_rate(level)) / 2))
    estimate, low, high, why = math.nan, 0.0, math.inf, ""
    if n1 == 0 or n2 == 0:
        why = NO_TRIALS
    elif x1 + x2 == 0:
        why = "neither group has a success, so every ratio is possible"
    else:
        estimate = x1 * n2 / (n1 * x2) if x2 else math.inf
        why = "" if x2 else "the second group has no success, so the ratio is infinite"
        mirrored = _ratio_low(x2, n2, x1, n1, z)
        low, high = _ratio_low(x1, n1, x2, n2, z), 1 / mirrored if mirrored else math.inf
        p = score_test(x1, n1, x2, n2, bias_corrected=False).p_value
        low, high = settle(low, high, 1.0, p <= error_rate(level))
    return Interval(
        "ratio", estimate, low, high, level, "Koopman", n1 + n2, ((x1, n1), (x2, n2)), ASSUMES, why
    )


def _ratio_low(x1: int, n1: int, x2: int, n2: int, z: float) -> float:
    """The ratio below the observed one at which the score statistic is z; at least one success was seen."""
    if x1 == 0:
        return 0.0
    if (
        x1 == n1 and x2 == n2
    ):  # then the second rate stays 1, the first is the ratio r, and n1 (1 - r)/r = z^2
        return n1 / (n1 + z * z)

    def excess(log_ratio: float) -> float:
        ratio = math.exp(log_ratio)
        # Restricted rates: the smaller root of a quadratic whose discriminant is written as a sum of what cannot be
        # negative, so that nothing cancels at full cells.
        a, b = ratio * (n1 + x2), n2 + x1
        root = math.sqrt((a - b) ** 2 + 4 * ratio * (n1 - x1) * (n2 - x2))
        rate2 = min(1.0, 2 * (x1 + x2) / (a + b + root))
        rate1 = min(1.0, ratio * rate2)
        variance = rate1 * (1 - rate1) / n1 + ratio**2 * rate2 * (1 - rate2) / n2
        return x1 / n1 - ratio * x2 / n2 - z * math.sqrt(variance)

    right = math.log(x1 * n2 / (n1 * x2)) if x2 else 0.0
    while excess(right) >= 0:
        right += 1.0
    left = right - 1.0
    while excess(left) <= 0:
        left -= 1.0
    return math.exp(brentq(excess, left, right, xtol=1e-15, rtol=1e-15, maxiter=500))
