"""Score and closed-form intervals for two independent proportions, and the score test.

Everything here is large-sample: the intervals agree with their own score test (Miettinen-Nurminen, Koopman) or with
none (Newcombe, Agresti-Caffo). The exact routines are in `unconditional` and `conditional`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def restricted_rates(
    x1: ArrayLike, n1: ArrayLike, x2: ArrayLike, n2: ArrayLike, difference: ArrayLike
) -> tuple[Floats, Floats]:
    """Maximum-likelihood rates of two independent binomials whose difference is fixed.

    Assumes two independent binomial counts. The likelihood equation is a cubic whose middle root is the answer
    (below); it is solved in closed form and then polished, because the closed form loses half of its digits where
    two roots meet, which happens exactly at zero and full cells.

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
    a1, m1, a2, m2, d = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (x1, n1, x2, n2, difference)))
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
    for _ in range(80):  # one or two rounds, more only where two roots meet
        other = np.minimum(root + d, 1.0)
        f = (x1 - n1 * other) * root * (1 - root) + (x2 - n2 * root) * other * (1 - other)
        slope = N * (3 * root**2 + 2 * c2 * root + c1)
        left = np.where(f > 0, root, left)
        right = np.where(f < 0, root, right)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = root - f / slope
        inside = (step >= left) & (step <= right)
        new = np.where(f == 0, root, np.where(inside, step, (left + right) / 2))
        settled = np.abs(new - root) <= 1e-15
        root = new
        if np.all(settled):
            break

    # At an empty or a full cell the edge itself is a root: it is the maximum where the likelihood falls from it.
    at_zero = (x2 == 0) & (x1 - n1 * d - n2 * d * (1 - d) <= 0)
    at_one = (x1 == n1) & (n2 - x2 - n2 * d - n1 * d * (1 - d) <= 0)
    root = np.where(at_zero, 0.0, np.where(at_one, 1 - d, root))
    return np.where(d == 0, (x1 + x2) / N, root)


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
