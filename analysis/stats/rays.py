"""Pairs of rates with a given difference or a given ratio, and the score statistic of a table at that value.

Each measure has a coordinate u that rises with the first rate: the difference itself from -1 to 1, or
ratio / (1 + ratio) from 0 to 1, which turns into 1 - u when the groups are swapped. At a given u the pairs of rates lie
on a line that t from 0 to 1 runs along, with p1(u, t) rising and p2(u, t) falling in u for every t, and with
p and 1 - p linear in t. So the probability of any region is a polynomial of degree n1 + n2 in t, with Bernstein
coefficients between 0 and 1.

The score statistic z falls in u. Let lambda be the Lagrange multiplier of the restricted maximum, which is the slope of
the profile log-likelihood; that is concave in u (or in the log ratio), so lambda falls. For the difference
z^2 = lambda (d_obs - d), a product of two factors of the same sign that both shrink as d nears d_obs. For the ratio
z^2 = lambda (x1 / (n1 p1) - x2 / (n2 p2)), where p1 rises and p2 falls with the ratio.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.stats.bernstein import Floats
from analysis.stats.score import score_statistic


@dataclass(frozen=True)
class Measure:
    """A measure of two rates: its coordinate's range and null, its lines and its score statistic.

    Parameters
    ----------
    name : str
    lowest, null, highest : float
        Of the coordinate u.
    rates : function of (u, t)
        The pair (p1, p2); u a number, t an array.
    score : function of (x1, n1, x2, n2, u)
        Broadcasting; the score statistic z of the tables at u.
    width : function of u
        Boxes of the coordinate narrower than this at u are narrow enough.
    value : function of (x1 n2, x2 n1, n1 n2)
        The estimate.
    limits : function of (low, mirrored)
        The limits of the measure from two lower limits of the coordinate: of the table and of the swapped groups.
    """

    name: str
    lowest: float
    null: float
    highest: float
    rates: Callable[[float, Floats], tuple[Floats, Floats]]
    score: Callable[[ArrayLike, int, ArrayLike, int, ArrayLike], Floats]
    width: Callable[[float], float]
    value: Callable[[int, int, int], float]
    limits: Callable[[float, float], tuple[float, float]]


def _rates_of_difference(d: float, t: Floats) -> tuple[Floats, Floats]:
    return max(d, 0.0) + (1 - abs(d)) * t, max(-d, 0.0) + (1 - abs(d)) * t


def _score_of_difference(x1: ArrayLike, n1: int, x2: ArrayLike, n2: int, d: ArrayLike) -> Floats:
    return score_statistic(x1, n1, x2, n2, d, bias_corrected=False)


def _rates_of_ratio(u: float, t: Floats) -> tuple[Floats, Floats]:
    return (t * (u / (1 - u)), t) if u <= 0.5 else (t, t * ((1 - u) / u))


def _score_of_ratio(x1: ArrayLike, n1: int, x2: ArrayLike, n2: int, u: ArrayLike) -> Floats:
    """Koopman's statistic, both sides multiplied by 1 - u so that u = 0 and u = 1 need no limits."""
    a, b, u = (np.asarray(value, dtype=float) for value in (x1, x2, u))
    v = 1 - u
    first, second = u * (n1 + b), v * (n2 + a)
    root = np.sqrt((first - second) ** 2 + 4 * u * v * (n1 - a) * (n2 - b))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(a + b == 0, 0.0, 2 * (a + b) / (first + second + root))
        rate1, rate2 = np.minimum(share * u, 1.0), np.minimum(share * v, 1.0)
        spread = np.sqrt(v**2 * rate1 * (1 - rate1) / n1 + u**2 * rate2 * (1 - rate2) / n2)
        away = (v * a * n2 - u * b * n1) / (n1 * n2)
        return np.where(away == 0, 0.0, away / spread)


def _odds(u: float) -> float:
    return u / (1 - u) if u < 1 else math.inf


DIFFERENCE = Measure(
    name="difference",
    lowest=-1.0,
    null=0.0,
    highest=1.0,
    rates=_rates_of_difference,
    score=_score_of_difference,
    width=lambda d: 1e-8,
    value=lambda first, second, both: (first - second) / both,
    limits=lambda low, mirrored: (low, -mirrored),
)
RATIO = Measure(
    name="ratio",
    lowest=0.0,
    null=0.5,
    highest=1.0,
    rates=_rates_of_ratio,
    score=_score_of_ratio,
    width=lambda u: 1e-8 * u * (1 - u),
    value=lambda first, second, both: first / second if second else math.inf,
    limits=lambda low, mirrored: (_odds(low), 1 / _odds(mirrored) if mirrored > 0 else math.inf),
)
