"""How wide the interval of a difference of two rates will be on average, before there are data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from analysis.stats.coherence import error_rate
from analysis.stats.proportions import wilson_limits
from analysis.stats.rejected_tables import binomial
from analysis.stats.result import _Shown, check_choice, check_count, check_level, show_number
from analysis.stats.score import score_statistic

Floats = NDArray[np.float64]

METHODS = {"newcombe": "Newcombe", "miettinen-nurminen": "Miettinen\N{EN DASH}Nurminen"}
_UNLIKELY = 1e-9  # tables that are left out have this much probability together at most, in each group
_HALVINGS = 36


@dataclass(frozen=True, eq=False)
class ExpectedWidth(_Shown):
    """The mean width of an interval over all samples that could come.

    Parameters
    ----------
    width, half_width : float
        Mean distance between the two limits, and half of it.
    excludes_zero : float
        Share of the samples whose interval leaves out 0.
    p1, p2 : float
        Supposed rates.
    n1, n2 : int
    level : float
    method, assumes : str
    """

    width: float
    half_width: float
    excludes_zero: float
    p1: float
    p2: float
    n1: int
    n2: int
    level: float
    method: str
    assumes: str = "two independent binomials with the supposed rates"

    def __str__(self) -> str:
        return (
            f"expected half width {show_number(self.half_width)} ({100 * self.level:g} %, {self.method}) for "
            f"{self.p1:g} against {self.p2:g} with {self.n1} and {self.n2} routines"
        )


def expected_width(
    p1: float, p2: float, n1: int, n2: int, method: str = "miettinen-nurminen", level: float = 0.95
) -> ExpectedWidth:
    """Return the mean width of the interval of a difference, and how often it leaves out 0.

    Assumes two independent binomial counts with the supposed rates: independent routines. For athletes who come back
    divide the numbers by a design effect first, as `power.exact_power` does.

    Parameters
    ----------
    p1, p2 : float
        Supposed rates, between 0 and 1.
    n1, n2 : int
        Routines in each group, at least 1.
    method : {"miettinen-nurminen", "newcombe"}
        The intervals of those names in `two_groups.difference_interval`. The exact interval is on average a little
        wider than the first, and too slow for a mean over all tables.
    level : float

    Returns
    -------
    ExpectedWidth
        Summed over all tables but those of the far tails, whose probability is below 1e-9 in each group.

    Raises
    ------
    ValueError
        For rates outside 0 to 1, groups without a routine, an unknown method, a level outside (0, 1).

    Examples
    --------
    >>> print(expected_width(0.9, 0.6, 9, 22, method="newcombe"))
    expected half width 0.2903 (95 %, Newcombe) for 0.9 against 0.6 with 9 and 22 routines

    Not for
    -------
    A promise: about half of the samples give a wider interval than this.

    References
    ----------
    Newcombe 1998, Statistics in Medicine 17:873-890 (both intervals); Bland 2009, BMJ 339:b3985 (planning for
    precision instead of power).
    """
    for name, rate in (("p1", p1), ("p2", p2)):
        if isinstance(rate, bool) or not 0 <= float(rate) <= 1:
            raise ValueError(f"{name} is {rate!r}; a rate lies between 0 and 1, such as 0.9 for 90 %")
    check_choice("method", method, tuple(METHODS))
    level = check_level(level)
    n1, n2 = check_count(0, n1, "first")[1], check_count(0, n2, "second")[1]
    if min(n1, n2) < 1:
        raise ValueError(f"n1 = {n1} and n2 = {n2}; both groups need at least one routine")
    p1, p2 = float(p1), float(p2)
    (x1, chance1), (x2, chance2) = _likely(n1, p1), _likely(n2, p2)
    chance = np.outer(chance1, chance2)
    chance /= chance.sum()
    limits = _newcombe if method == "newcombe" else _miettinen_nurminen
    low, high, excludes = limits(x1[:, None], n1, x2[None, :], n2, level)
    width = float((chance * (high - low)).sum())
    share = min(1.0, float(chance[excludes].sum()))
    return ExpectedWidth(width, width / 2, share, p1, p2, n1, n2, level, METHODS[method])


def _likely(n: int, p: float) -> tuple[NDArray[np.int64], Floats]:
    """The counts outside the far tails, and their probabilities."""
    chance = binomial(n, p)
    inside = np.minimum(np.cumsum(chance), np.cumsum(chance[::-1])[::-1]) > _UNLIKELY / 2
    return np.flatnonzero(inside), chance[inside]


def _newcombe(
    x1: NDArray[np.int64], n1: int, x2: NDArray[np.int64], n2: int, level: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Limits of the tables of a grid, and whether they leave out 0."""
    z = _quantile(level)
    (l1, u1), (l2, u2) = (
        np.array([wilson_limits(x / n, n, z) for x in grid.ravel()]).T.reshape(2, *grid.shape)
        for grid, n in ((x1, n1), (x2, n2))
    )
    plain = (x1 * n2 - x2 * n1) / (n1 * n2)
    low = plain - np.hypot(x1 / n1 - l1, u2 - x2 / n2)
    high = plain + np.hypot(u1 - x1 / n1, x2 / n2 - l2)
    return low, high, (low > 0) | (high < 0)


def _miettinen_nurminen(
    x1: NDArray[np.int64], n1: int, x2: NDArray[np.int64], n2: int, level: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """The same by halving: the score falls as the difference grows. Whether 0 is left out its own test says."""
    z = _quantile(level)
    low = _score_low(x1, n1, x2, n2, z)
    high = -_score_low(x2, n2, x1, n1, z)
    p = 2 * ndtr(-np.abs(score_statistic(x1, n1, x2, n2)))
    return low, high, p <= float(error_rate(level))


def _score_low(x1: NDArray[np.int64], n1: int, x2: NDArray[np.int64], n2: int, z: float) -> Floats:
    right = (x1 * n2 - x2 * n1) / (n1 * n2)
    left = np.full_like(right, -1.0)
    for _ in range(_HALVINGS):
        middle = (left + right) / 2
        below = score_statistic(x1, n1, x2, n2, middle) > z
        left, right = np.where(below, middle, left), np.where(below, right, middle)
    return (left + right) / 2


def _quantile(level: float) -> float:
    return -float(ndtri(float(error_rate(level)) / 2))
