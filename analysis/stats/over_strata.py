"""The difference of two rates for the same mix of strata, with athletes as clusters."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence

import numpy as np
from scipy import stats

from analysis.stats.clustered import clustered_groups
from analysis.stats.proportions import wilson_limits
from analysis.stats.result import Interval, check_level


def standardised_over_strata(
    outcome: Sequence[int],
    first: Sequence[bool],
    stratum: Sequence[Hashable],
    athlete: Sequence[Hashable],
    level: float = 0.95,
) -> Interval:
    """Difference of two rates, each averaged over the strata with the strata's own sizes as weights.

    Assumes that athletes are independent of each other and that the two techniques differ by an amount that may
    vary from stratum to stratum. Only strata that hold both techniques can compare them; the weights are the numbers
    of routines of those strata.

    Parameters
    ----------
    outcome : array of 0 and 1, one per routine
    first : array of bool
        True for the first technique.
    stratum, athlete : arrays of hashable codes
    level : float
        Confidence level.

    Returns
    -------
    Interval
        `n` counts the routines in strata that hold both techniques. NaN with `why` when there is none.

    Notes
    -----
    The variance of a standardised rate is that of its plain rate at an effective n: Kish's n for unequal weights,
    1 / sum_s(w_s^2 / n_s), divided by the technique's design effect from the clustered interval. The limits are
    Wilson's at that n with t on twice the number of athletes, and the two are combined by square and add.
    Athletes who show both techniques are treated as if they were two, which widens the interval.

    Not to be used where most routines lie in strata with one technique only: the answer is then about the rest.

    Examples
    --------
    >>> found = standardised_over_strata(
    ...     [1, 1, 1, 0, 1, 0, 0, 1], [True, True, False, False, True, False, False, False],
    ...     ["A", "A", "A", "A", "B", "B", "B", "B"], list("abcdefgh"))
    >>> round(found.estimate, 3)
    0.583

    References
    ----------
    Kish L. (1965) Survey Sampling, section 11.7 (weights and effective n; from memory). Zou G. Y., Donner A. (2008)
    Statistics in Medicine 27:1693-1702 (square and add).
    """
    level = check_level(level)
    y = np.asarray(outcome, dtype=float)
    arm = np.asarray(first, dtype=bool)
    codes = np.asarray(_codes(stratum))
    method = "standardised over strata, Wilson limits at an effective n that counts athletes"
    assumes = "athletes independent; weights are the strata's sizes"
    shared = [s for s in np.unique(codes) if arm[codes == s].any() and (~arm[codes == s]).any()]
    keep = np.isin(codes, shared)
    total = int(keep.sum())
    if total == 0:
        return Interval(
            "standardised difference",
            math.nan,
            math.nan,
            math.nan,
            level,
            method,
            0,
            assumes=assumes,
            why="no stratum holds both techniques",
        )
    y, arm, codes = y[keep], arm[keep], codes[keep]
    people = [code for code, kept in zip(athlete, keep, strict=True) if kept]
    weights = {s: float((codes == s).sum()) / total for s in shared}
    groups = {g.group: g for g in clustered_groups(y, np.where(arm, 0, 1), people, level, kind="stuck")}
    athletes = len(set(people))
    quantile = float(stats.t.ppf((1 + level) / 2, 2 * athletes))
    rates, limits = [], []
    for group, here in ((0, arm), (1, ~arm)):
        rate = sum(weights[s] * float(y[here & (codes == s)].mean()) for s in shared)
        kish = 1 / sum(weights[s] ** 2 / int((here & (codes == s)).sum()) for s in shared)
        effective = kish * groups[group].effective_n / int(here.sum())
        rate = min(1.0, max(0.0, rate))
        rates.append(rate)
        limits.append(wilson_limits(rate, effective, quantile))
    difference = rates[0] - rates[1]
    (l1, u1), (l2, u2) = limits
    low = difference - math.hypot(rates[0] - l1, u2 - rates[1])
    high = difference + math.hypot(u1 - rates[0], rates[1] - l2)
    return Interval(
        "standardised difference",
        difference,
        max(-1.0, low),
        min(1.0, high),
        level,
        method,
        total,
        assumes=assumes,
    )


def _codes(values: Sequence[Hashable]) -> list[int]:
    """Number the codes in order of appearance."""
    seen: dict[Hashable, int] = {}
    return [seen.setdefault(value, len(seen)) for value in values]
