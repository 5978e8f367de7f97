"""Score and closed-form intervals of the difference of two independent proportions, and the score test.

Everything here is large-sample: Miettinen-Nurminen agrees with its own score test, Newcombe and Agresti-Caffo with
none. The exact routines are in `unconditional` and `conditional`, the ratio in `ratio_score`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from analysis.stats.coherence import error_rate, settle
from analysis.stats.proportions import NO_TRIALS, wilson_limits
from analysis.stats.result import Interval, Test, check_alternative, check_count, check_level

Floats = NDArray[np.float64]
Limits = Callable[[int, int, int, int, float], tuple[float, float]]

ASSUMES = "two independent binomials, judged by a large-sample formula"
_INSIDE = 1e-14


def restricted_rates(
    x1: ArrayLike, n1: ArrayLike, x2: ArrayLike, n2: ArrayLike, difference: ArrayLike
) -> tuple[Floats, Floats]:
    """Maximum-likelihood rates of two independent binomials whose difference is fixed.

    Assumes two independent binomial counts. The likelihood equation is a cubic whose middle root is the answer. It is
    solved in closed form and polished; at empty and full cells, where the cubic's formula would lose half of its
    digits because two roots can meet, a root is known and the rest is a quadratic.

    Parameters
    ----------
    x1, n1, x2, n2 : array_like
        Counts and totals, broadcast together; totals are at least 1.
    difference : array_like
        First rate minus second, between -1 and 1.

    Returns
    -------
    (rate1, rate2) : arrays with rate1 - rate2 = difference, each between 0 and 1.

    Raises
    ------
    ValueError
        If a difference lies outside -1 to 1.

    Examples
    --------
    >>> first, second = restricted_rates(9, 9, 14, 22, 0.1)
    >>> round(float(first), 6), round(float(second), 6)
    (0.832612, 0.732612)

    References
    ----------
    Miettinen & Nurminen 1985, Statistics in Medicine 4:213-226; Farrington & Manning 1990, Statistics in Medicine
    9:1447-1454.
    """
    a1, m1, a2, m2, d = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (x1, n1, x2, n2, difference))
    )
    if np.any(np.abs(d) > 1):
        raise ValueError("difference lies outside -1 to 1; two rates cannot differ by more than 1")
    # Work with a first rate that is the higher one, so that the second runs from 0 to 1 - d.
    swap = d < 0
    a1, a2 = np.where(swap, a2, a1), np.where(swap, a1, a2)
    m1, m2 = np.where(swap, m2, m1), np.where(swap, m1, m2)
    d = np.abs(d)
    low = _restricted_lower_rate(a1, m1, a2, m2, d)
    high = np.minimum(low + d, 1.0)
    return np.where(swap, low, high), np.where(swap, high, low)


def _restricted_lower_rate(x1: Floats, n1: Floats, x2: Floats, n2: Floats, d: Floats) -> Floats:
    """The second rate p when the first is p + d, d >= 0.

    The score times p(1-p)(p+d)(1-p-d) is f(p) = (x1 - n1(p+d)) p(1-p) + (x2 - n2 p)(p+d)(1-p-d). Its sign is <= 0 at
    -d, >= 0 at 0, <= 0 at 1-d and >= 0 at 1: three real roots, the middle one in [0, 1-d].
    """
    N = n1 + n2
    c2 = ((n1 + 2 * n2) * d - N - x1 - x2) / N
    c1 = (x1 - n1 * d - n2 * d * (1 - d) + x2 * (1 - 2 * d)) / N
    c0 = x2 * d * (1 - d) / N
    v = (c2 / 3) ** 3 - c1 * c2 / 6 + c0 / 2
    u = np.copysign(np.sqrt(np.maximum((c2 / 3) ** 2 - c1 / 3, 0.0)), v)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        turn = np.where(u == 0, 0.0, v / u**3)
    root = 2 * u * np.cos((np.pi + np.arccos(np.clip(turn, -1.0, 1.0))) / 3) - c2 / 3

    left, right = np.zeros_like(d), 1 - d
    root = np.clip(root, left, right)
    known = (x2 == 0) | (x1 == n1) | (d == 0)
    root = np.where(x1 == n1, 1 - d - _empty_cell_rate(n2 - x2, n2, n1, d), root)
    root = np.where(x2 == 0, _empty_cell_rate(x1, n1, n2, d), root)
    # Both at once: f is p(1-p-d)(n1(1-p) - n2(p+d)).
    root = np.where((x2 == 0) & (x1 == n1), np.clip((n1 - n2 * d) / N, left, right), root)
    root = np.where(d == 0, (x1 + x2) / N, root)
    for _ in range(80):  # one or two rounds, more only where two roots meet
        other = np.minimum(root + d, 1.0)
        f = (x1 - n1 * other) * root * (1 - root) + (x2 - n2 * root) * other * (1 - other)
        slope = N * (3 * root**2 + 2 * c2 * root + c1)
        left = np.where(f > 0, root, left)
        right = np.where(f < 0, root, right)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = root - f / slope
        inside = (step >= left) & (step <= right)
        new = np.where(known | (f == 0), root, np.where(inside, step, (left + right) / 2))
        settled = np.abs(new - root) <= 1e-15
        root = new
        if np.all(settled):
            break
    return root


def _empty_cell_rate(x1: Floats, n1: Floats, n2: Floats, d: Floats) -> Floats:
    """The second rate when the second group has no success: 0 is a root of the cubic, and a quadratic is left.

    The rate is its smaller root, or 0 where that is negative. A full first group is the same with success and failure
    swapped, and the groups with them.
    """
    c1 = x1 - n1 * d - n2 * d * (1 - d)
    c2 = (n1 + 2 * n2) * d - n1 - n2 - x1
    with np.errstate(divide="ignore", invalid="ignore"):
        root = 2 * c1 / (np.sqrt(np.maximum(c2**2 - 4 * (n1 + n2) * c1, 0.0)) - c2)
    return np.where(c1 > 0, root, 0.0)


def score_statistic(
    x1: ArrayLike,
    n1: ArrayLike,
    x2: ArrayLike,
    n2: ArrayLike,
    difference: ArrayLike = 0.0,
    bias_corrected: bool = True,
) -> Floats:
    """Score statistic z of two independent binomials at a given difference of rates, first minus second.

    Assumes two independent binomial counts. `bias_corrected` multiplies the variance by N/(N-1) (Miettinen &
    Nurminen); without it this is Mee's statistic, and at difference 0 the pooled z. Where the variance is 0, the
    statistic is 0 if the observed difference equals the given one, and infinite otherwise.

    Parameters
    ----------
    x1, n1, x2, n2, difference : array_like
        Broadcast together; totals are at least 1, differences between -1 and 1.

    Returns
    -------
    Array of z; positive when the observed difference is above the given one.

    Examples
    --------
    >>> round(float(score_statistic(9, 9, 14, 22)), 6)
    2.066101

    References
    ----------
    Miettinen & Nurminen 1985, Statistics in Medicine 4:213-226; Mee 1984, Biometrics 40:1175-1176.
    """
    away, spread = _score_parts(x1, n1, x2, n2, difference, bias_corrected)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(away == 0, 0.0, away / spread)


def _score_parts(
    x1: ArrayLike, n1: ArrayLike, x2: ArrayLike, n2: ArrayLike, difference: ArrayLike, bias_corrected: bool
) -> tuple[Floats, Floats]:
    """Observed minus given difference, and its standard error at the given difference."""
    a1, m1, a2, m2, d = (np.asarray(v, dtype=float) for v in (x1, n1, x2, n2, difference))
    rate1, rate2 = restricted_rates(a1, m1, a2, m2, d)
    variance = rate1 * (1 - rate1) / m1 + rate2 * (1 - rate2) / m2
    if bias_corrected:
        variance = variance * ((m1 + m2) / (m1 + m2 - 1))
    # Whole numbers first: equal rates then give exactly 0, and swapping the groups exactly the opposite sign.
    return (a1 * m2 - a2 * m1) / (m1 * m2) - d, np.sqrt(variance)


def score_test(
    x1: int, n1: int, x2: int, n2: int, alternative: str = "two-sided", bias_corrected: bool = True
) -> Test:
    """Asymptotic score test of equal rates.

    Assumes two independent binomial counts, large enough for the normal approximation: it is the test beside the
    Miettinen-Nurminen interval (or, not bias-corrected, beside Koopman's), for groups past the exact budget.

    Parameters
    ----------
    x1, n1, x2, n2 : int
        Successes and trials in the first and the second group.
    alternative : {"two-sided", "greater", "less"}
        "greater" means that the first rate is higher.
    bias_corrected : bool
        Whether the variance has the factor N/(N-1).

    Returns
    -------
    Test
        NaN with a reason if a group is empty; 1 if all trials ended alike.

    Raises
    ------
    ValueError
        If the counts are not whole numbers with 0 <= x <= n or the alternative is unknown.

    Examples
    --------
    >>> print(score_test(9, 9, 14, 22))
    p = 0.0388 (two-sided), score test, pooled z with N/(N-1) (asymptotic), 31 observations

    Not for
    -------
    Small or lopsided groups: this p is .039 where the exact ones are .05 to .07.

    References
    ----------
    Miettinen & Nurminen 1985, Statistics in Medicine 4:213-226.
    """
    side = check_alternative(alternative)
    x1, n1 = check_count(x1, n1, "first")
    x2, n2 = check_count(x2, n2, "second")
    z, p, why = math.nan, math.nan, ""
    if n1 == 0 or n2 == 0:
        why = NO_TRIALS
    elif x1 + x2 in (0, n1 + n2):
        z, p, why = 0.0, 1.0, "all trials ended alike, so the test carries no information"
    else:
        z = float(score_statistic(x1, n1, x2, n2, 0.0, bias_corrected))
        p = {"two-sided": 2 * ndtr(-abs(z)), "greater": ndtr(-z), "less": ndtr(z)}[side]
    name = "score test, pooled z with N/(N-1)" if bias_corrected else "score test, pooled z"
    return Test(float(p), side, f"{name} (asymptotic)", n1 + n2, z, assumes=ASSUMES, why=why)


def miettinen_nurminen(
    x1: int, n1: int, x2: int, n2: int, level: float = 0.95, alternative: str = "two-sided"
) -> Interval:
    """Score interval of the difference, by turning round the score test with N/(N-1).

    Assumes two independent binomial counts and a normal score. Agrees with `score_test`: it leaves 0 out exactly when
    that p is at most 1 - level. Parameters, result and errors as in `two_groups.difference_interval`.

    Examples
    --------
    >>> print(miettinen_nurminen(9, 9, 14, 22))
    difference 0.3636 (95 % 0.0260 to 0.5737), Miettinen–Nurminen, 9 of 9 and 14 of 22

    Not for
    -------
    A claim that must hold its error rate in small groups: the exact interval does.

    References
    ----------
    Miettinen & Nurminen 1985, Statistics in Medicine 4:213-226.
    """
    found = _difference(x1, n1, x2, n2, level, alternative, "Miettinen\N{EN DASH}Nurminen", _score_limits)
    if found.why:
        return found
    p = score_test(x1, n1, x2, n2, alternative).p_value
    low, high = settle(found.low, found.high, 0.0, p <= error_rate(level))
    return replace(found, low=low, high=high)


def newcombe(
    x1: int, n1: int, x2: int, n2: int, level: float = 0.95, alternative: str = "two-sided"
) -> Interval:
    """Square-and-add interval of the difference, from the two Wilson intervals (Newcombe's method 10).

    Assumes two independent binomial counts. It belongs to no test. Parameters, result and errors as in
    `two_groups.difference_interval`.

    Examples
    --------
    >>> print(newcombe(9, 9, 14, 22))
    difference 0.3636 (95 % 0.0214 to 0.5705), Newcombe, 9 of 9 and 14 of 22

    Not for
    -------
    Standing beside a p-value as if it were that test's interval.

    References
    ----------
    Newcombe 1998, Statistics in Medicine 17:873-890.
    """
    return _difference(x1, n1, x2, n2, level, alternative, "Newcombe", _square_and_add_limits)


def agresti_caffo(
    x1: int, n1: int, x2: int, n2: int, level: float = 0.95, alternative: str = "two-sided"
) -> Interval:
    """Interval of the difference after one success and one failure are added to each group, cut at -1 and 1.

    Assumes two independent binomial counts. The additions make the limits only; the estimate is the plain difference.
    It belongs to no test. Parameters, result and errors as in `two_groups.difference_interval`.

    Examples
    --------
    >>> print(agresti_caffo(9, 9, 14, 22))
    difference 0.3636 (95 % 0.0265 to 0.5417), Agresti–Caffo, 9 of 9 and 14 of 22

    Not for
    -------
    Groups that are all stuck or none stuck, where it can leave out differences that are well supported.

    References
    ----------
    Agresti & Caffo 2000, The American Statistician 54:280-288.
    """
    return _difference(x1, n1, x2, n2, level, alternative, "Agresti\N{EN DASH}Caffo", _added_limits)


def _difference(
    x1: int, n1: int, x2: int, n2: int, level: float, alternative: str, method: str, limits: Limits
) -> Interval:
    """An interval of the difference from a formula that takes the counts and a normal quantile."""
    level, side = check_level(level), check_alternative(alternative)
    x1, n1 = check_count(x1, n1, "first")
    x2, n2 = check_count(x2, n2, "second")
    tail = float(error_rate(level)) / (2 if side == "two-sided" else 1)
    estimate, low, high, why = math.nan, -1.0, 1.0, NO_TRIALS
    if n1 > 0 and n2 > 0:
        estimate, why = (x1 * n2 - x2 * n1) / (n1 * n2), ""
        low, high = limits(x1, n1, x2, n2, -float(ndtri(tail)))
        low, high = (-1.0 if side == "less" else low), (1.0 if side == "greater" else high)
    return Interval(
        "difference", estimate, low, high, level, method, n1 + n2, ((x1, n1), (x2, n2)), ASSUMES, why
    )


def _square_and_add_limits(x1: int, n1: int, x2: int, n2: int, z: float) -> tuple[float, float]:
    p1, p2 = x1 / n1, x2 / n2
    side = math.copysign(
        1.0, z
    )  # a one-sided level below 0.5 puts the limit on the other side of the estimate
    (l1, u1), (l2, u2) = wilson_limits(p1, n1, abs(z)), wilson_limits(p2, n2, abs(z))
    if z < 0:
        (l1, u1), (l2, u2) = (u1, l1), (u2, l2)
    plain = (x1 * n2 - x2 * n1) / (n1 * n2)
    return plain - side * math.hypot(p1 - l1, u2 - p2), plain + side * math.hypot(u1 - p1, p2 - l2)


def _added_limits(x1: int, n1: int, x2: int, n2: int, z: float) -> tuple[float, float]:
    p1, p2 = (x1 + 1) / (n1 + 2), (x2 + 1) / (n2 + 2)
    half = z * math.sqrt(p1 * (1 - p1) / (n1 + 2) + p2 * (1 - p2) / (n2 + 2))
    return max(-1.0, p1 - p2 - half), min(1.0, p1 - p2 + half)


def _score_limits(x1: int, n1: int, x2: int, n2: int, z: float) -> tuple[float, float]:
    return _score_low(x1, n1, x2, n2, z), -_score_low(x2, n2, x1, n1, z)


def _score_low(x1: int, n1: int, x2: int, n2: int, z: float) -> float:
    """The difference at which the score statistic, which falls as the difference grows, is z."""
    seen = (x1 * n2 - x2 * n1) / (n1 * n2)
    if seen == (-1 if z >= 0 else 1):
        return seen
    # Just inside, because the score can be 0/0 at the observed difference (all trials alike) and at -1 and 1.
    left, right = (-1 + _INSIDE, seen - _INSIDE) if z >= 0 else (seen + _INSIDE, 1 - _INSIDE)

    def excess(difference: float) -> float:
        away, spread = _score_parts(x1, n1, x2, n2, difference, True)
        return float(away - z * spread)

    if excess(right) >= 0:  # z is 0 up to rounding
        return seen
    return float(brentq(excess, left, right, xtol=1e-15, rtol=1e-15, maxiter=500))
