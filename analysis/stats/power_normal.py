"""Power and sample size of two rates by the normal approximation: first guesses, and answers past the budget."""

from __future__ import annotations

import math

from scipy.special import ndtr, ndtri

from analysis.stats.result import check_alternative


def normal_power(
    p1: float, p2: float, n1: float, n2: float, alpha: float = 0.05, alternative: str = "two-sided"
) -> float:
    """Return the power of the pooled z test of equal rates, its statistic taken as normal.

    Assumes two independent binomial counts, large enough for that. Two-sided, both tails count.

    Parameters
    ----------
    p1, p2 : float
        Supposed rates.
    n1, n2 : float
        Routines in each group; they need not be whole.
    alpha : float
    alternative : {"two-sided", "greater", "less"}

    Examples
    --------
    >>> round(normal_power(0.5, 0.75, 50, 50), 4)
    0.7402

    Not for
    -------
    Groups of a few dozen or rates near 0 or 1: `power.exact_power` is exact there.

    References
    ----------
    Fleiss, Levin & Paik 2003, Statistical Methods for Rates and Proportions, 3rd edition, chapter 4.
    """
    side = check_alternative(alternative)
    mean = (n1 * p1 + n2 * p2) / (n1 + n2)
    at_null = math.sqrt(mean * (1 - mean) * (1 / n1 + 1 / n2))
    spread = math.sqrt(p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2)
    reach = -float(ndtri(alpha / 2 if side == "two-sided" else alpha)) * at_null
    tails = {"two-sided": (1, -1), "greater": (1,), "less": (-1,)}[side]
    found = 0.0
    for tail in tails:
        over = tail * (p1 - p2) - reach
        found += float(ndtr(over / spread)) if spread > 0 else float(over > 0)
    return min(1.0, found)


def normal_sample_size(
    p1: float,
    p2: float,
    power: float = 0.8,
    ratio: float = 1.0,
    alpha: float = 0.05,
    alternative: str = "two-sided",
    corrected: bool = False,
) -> float:
    """Return the first group's size for the pooled z test, not rounded; the second has `ratio` times as many.

    Assumes two independent binomial counts. With `corrected` the size is that of Casagrande, Pike and Smith (for
    unequal groups of Fleiss, Tytun and Ury), which comes near to Fisher's exact test; without it the size is near
    to Boschloo's and Barnard's.

    Parameters
    ----------
    p1, p2 : float
        Supposed rates; they differ.
    power, ratio, alpha : float
    alternative : {"two-sided", "greater", "less"}
        A one-sided size supposes that the rates differ on that side.
    corrected : bool

    Examples
    --------
    >>> round(normal_sample_size(0.6, 0.7), 1), round(normal_sample_size(0.6, 0.7, corrected=True), 1)
    (355.9, 375.7)

    Not for
    -------
    The number to write down where an exact one can be had: `power.sample_size`.

    References
    ----------
    Casagrande, Pike & Smith 1978, Biometrics 34:483-486; Fleiss, Tytun & Ury 1980, Biometrics 36:343-346.
    """
    side = check_alternative(alternative)
    difference = abs(p1 - p2)
    mean = (p1 + ratio * p2) / (1 + ratio)
    z_alpha = -float(ndtri(alpha / 2 if side == "two-sided" else alpha))
    roots = z_alpha * math.sqrt((1 + ratio) * mean * (1 - mean))
    roots += float(ndtri(power)) * math.sqrt(ratio * p1 * (1 - p1) + p2 * (1 - p2))
    size = max(roots, 0.0) ** 2 / (ratio * difference**2)
    if corrected and size > 0:
        size = size / 4 * (1 + math.sqrt(1 + 2 * (1 + ratio) / (size * ratio * difference))) ** 2
    return size
