"""The chance of the better landing when athletes come back."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from typing import Any

import numpy as np
from scipy import stats

from analysis.stats.effective import effective_sizes, spreads
from analysis.stats.ranks import superiority_limits, variance_factor
from analysis.stats.result import Alternative, Interval, check_alternative, check_level
from analysis.stats.routines import Routines, few_athletes, two_techniques


def clustered_superiority(
    grade: Iterable[Any],
    first: Iterable[bool],
    athlete: Iterable[Hashable],
    level: float = 0.95,
    alternative: Alternative = "two-sided",
) -> Interval:
    """Chance that the first technique lands better than the second, less one half, when athletes come back.

    Assumes that athletes are independent of each other; routines of one athlete may resemble each other.

    Parameters
    ----------
    grade : sequence of numbers
        One per routine; a higher value is the better landing. Turn grades that count from the best.
    first : sequence of bool
        True for the first technique.
    athlete : sequence of hashable codes
    level : float
        Confidence level.
    alternative : {"two-sided", "greater", "less"}
        One-sided: the limit on the other side is 1/2 or -1/2.

    Returns
    -------
    Interval
        P(first better) + P(tie)/2 - 1/2, from -1/2 to 1/2; 0 says that neither lands better. The limits invert the
        score of the probability (Newcombe's method 5) at each group's effective n, with t on twice the number of
        athletes. The effective n come from the placements: the share of the other technique's routines that a routine
        beats; its variance is raised to theirs where they vary more than its model, and lowered for ties. Athletes
        who show both techniques are taken as if they were two, which widens the interval. Measured coverage:
        tests/reference/clustered_points.csv.

    Raises
    ------
    ValueError
        If lengths differ, a grade or a code is missing, or a technique has no routine.

    Examples
    --------
    >>> grades = [3, 3, 3, 2, 3, 3, 2, 3, 3, 1, 2, 0, 1, 3, 2, 2, 0, 1, 2, 1, 3, 2]
    >>> found = clustered_superiority(grades, [True] * 8 + [False] * 14, [who for who in range(11) for _ in range(2)])
    >>> round(found.estimate, 4), round(found.low, 4), round(found.high, 4)
    (0.3214, -0.0225, 0.4538)

    Notes
    -----
    The test beside it is `athlete_permutation` with midranks as the outcome.

    References
    ----------
    Newcombe, R. G. (2006). Confidence intervals for an effect size measure based on the Mann-Whitney statistic.
    Part 2: asymptotic methods and evaluation. Statistics in Medicine 25, 559-573.
    Brunner, E. & Munzel, U. (2000). The nonparametric Behrens-Fisher problem. Biometrical Journal 42, 17-25
    (placements).
    """
    alternative, level = check_alternative(alternative), check_level(level)
    routines = two_techniques(grade, first, athlete)
    beaten = _beaten(routines)
    scale = 2 * int((routines.group == 0).sum()) * int((routines.group == 1).sum())
    groups = spreads(Routines(beaten, routines.group, routines.athlete), scale)
    sizes = effective_sizes(groups)
    chance = groups[0].total / (groups[0].n * scale)
    tail = (1 - level) / (2 if alternative == "two-sided" else 1)
    quantile = float(stats.t.isf(tail, 2 * (int(routines.athlete.max()) + 1)))
    # One routine says nothing about its own spread: take the largest that the chance allows.
    one, two = (
        chance * (1 - chance) if group.n == 1 else (group.between + group.within) / (group.n - 1)
        for group in groups
    )
    factor = variance_factor(chance, (sizes[0], sizes[1]), (one, two), routines.values)
    low, high = superiority_limits(chance, (sizes[0], sizes[1]), quantile, factor)
    return Interval(
        quantity="chance of the better landing, less one half",
        estimate=chance - 0.5,
        low=-0.5 if alternative == "less" else low - 0.5,
        high=0.5 if alternative == "greater" else high - 0.5,
        level=level,
        method="score interval (Newcombe's method 5) at the effective n of the placements",
        n=len(beaten),
        assumes="athletes independent of each other; routines of one athlete may resemble each other",
        why=few_athletes(group.athletes for group in groups),
    )


def _beaten(routines: Routines) -> np.ndarray[Any, np.dtype[np.int64]]:
    """For each routine of the first technique, how far it beats the second's; for the second's, how far it is beaten.

    In whole units of 1 / (2 n1 n2), a tie counting one half: both groups then have the same mean.
    """
    found = np.zeros(len(routines.values), dtype=np.int64)
    for place in (0, 1):
        here = routines.group == place
        others = np.sort(routines.values[~here])
        mine = routines.values[here]
        below = np.searchsorted(others, mine, "left") + np.searchsorted(others, mine, "right")
        twice = below if place == 0 else 2 * len(others) - below
        found[here] = twice * int(here.sum())
    return found
