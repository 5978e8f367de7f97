"""The ratio of two rates from the limits of each: square and add, so that it agrees with the difference."""

from __future__ import annotations

import math


def ratio_from_limits(
    p1: float, low1: float, high1: float, p2: float, low2: float, high2: float
) -> tuple[float, float, float] | None:
    """Ratio of two independent rates with limits, from each rate and its own limits.

    Assumes that the two rates are estimated independently and that each pair of limits has the wanted level. The
    limits solve the square-and-add limit of p1 - ratio x p2 at 0, so the ratio's interval holds 1 exactly when the
    square-and-add interval of the difference holds 0.

    Parameters
    ----------
    p1, p2 : float
        Rates, 0 to 1.
    low1, high1, low2, high2 : float
        Limits of each rate, around it.

    Returns
    -------
    (ratio, low, high), infinite where p2 or its lower limit is 0; None where both rates are 0.

    Raises
    ------
    ValueError
        If a rate lies outside its limits or these outside 0 to 1.

    Examples
    --------
    >>> tuple(round(value, 3) for value in ratio_from_limits(9 / 9, 0.7009, 1.0, 14 / 22, 0.4295, 0.8027))
    (1.571, 1.03, 2.328)

    References
    ----------
    Donner, A. & Zou, G. Y. (2012). Closed-form confidence intervals for functions of the normal mean and standard
    deviation. Statistical Methods in Medical Research 21, 347-359 (from memory).
    """
    for rate, low, high in ((p1, low1, high1), (p2, low2, high2)):
        if not 0 <= low <= rate <= high <= 1:
            raise ValueError(f"rate {rate!r} with limits {low!r} and {high!r}: 0 <= low <= rate <= high <= 1")
    if p1 == p2 == 0:
        return None
    lower = _limit(p1, p2, p1 - low1, high2 - p2, side=-1)
    upper = _limit(p1, p2, high1 - p1, p2 - low2, side=1)
    return (math.inf if p2 == 0 else p1 / p2), lower, upper


def _limit(p1: float, p2: float, down: float, up: float, side: int) -> float:
    """Root of (p1 - r p2)^2 = down^2 + r^2 up^2 on one side of the ratio, written so that p2 = 0 is no trouble."""
    a, b, c = p2**2 - up**2, p1 * p2, p1**2 - down**2
    root = math.sqrt(max(b**2 - a * c, 0.0))
    if side < 0:
        # c / (b + root) is the smaller root without cancellation; it is 0 where the rate's limit is 0
        return max(0.0, c / (b + root)) if b + root > 0 else 0.0
    return (b + root) / a if a > 0 else math.inf
