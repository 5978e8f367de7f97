"""Draws of what the coders' agreement could be in the long run, given a small sample: intervals with some width left.

Coders who agreed in all 30 routines that they both saw have not shown that they always agree. So two routines' worth of
pseudo-counts are added before the weights of the sample are drawn: one spread over the ways to agree and one over the
ways in which a single coder differs. With two coders and two categories that is half a count in each cell, Jeffreys'
rule. With more categories half a count in each of the k * k cells would swamp a sample of 30 (coverage of a nominal
95 % interval down to .40 with five categories), so the total stays at two. The percentiles are moved outwards as far
as t lies outside the normal quantile. The evidence is in tests/reference/agreement.csv.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, stdtrit

Array = npt.NDArray[np.float64]
Measure = Callable[[Array], Array]
"""Takes weights, draws by patterns, each row adding up to 1; returns one value per draw."""

PATTERNS = 5_000  # more ways to differ than this and no interval is drawn
WORK = 2_000_000  # gamma draws of an interval
CHUNK = 1_000_000  # gamma draws held at once
DRAWS = (2_000, 50_000)  # fewest and most
ROUNDING = 1e-12

TOO_MANY = "too many different codes for an interval"


def pseudo_patterns(
    k: int, coders: int, near: bool = False, even: bool = False
) -> tuple[npt.NDArray[np.int64], Array] | None:
    """Return the ways to agree and the ways in which one coder differs, with their pseudo-counts.

    Parameters
    ----------
    k, coders : int
    near : bool
        Whether a disagreement over d steps of the order is d times less likely than one over a single step; for
        measures that square the distance, where a far disagreement made up from nothing would weigh too much.
    even : bool
        Whether each cell of the table gets the same share of the two, so that agreements get 2 / k in all instead of
        one; for a Wald interval, whose standard error needs more disagreement to start from.

    Returns
    -------
    (patterns by coders, mass per pattern), or None where there would be more than PATTERNS.
    """
    dissenters = (
        range(coders) if coders > 2 else range(1)
    )  # (a, b) and (b, a) are both listed with two coders
    if k + k * (k - 1) * len(dissenters) > PATTERNS:
        return None
    agree = [[category] * coders for category in range(k)]
    differ, mass = [], []
    for most, one, who in product(range(k), range(k), dissenters):
        if most != one:
            pattern = [most] * coders
            pattern[who] = one
            differ.append(pattern)
            mass.append(1 / abs(most - one) if near else 1.0)
    agreeing = 2 / k if even else 1.0
    masses = np.concatenate((np.full(k, agreeing / k), (2 - agreeing) * np.array(mass) / sum(mass)))
    return np.array(agree + differ, dtype=np.int64), masses


def with_pseudo_patterns(
    places: npt.NDArray[np.int64], k: int, near: bool = False
) -> tuple[npt.NDArray[np.int64], Array] | None:
    """Return the patterns of a sample and its pseudo-patterns, each once, with count plus pseudo-count."""
    made = pseudo_patterns(k, places.shape[1], near)
    if made is None:
        return None
    patterns, place = np.unique(np.concatenate((places, made[0])), axis=0, return_inverse=True)
    shapes = np.bincount(place.ravel(), weights=np.concatenate((np.ones(len(places)), made[1])))
    return patterns, shapes.astype(np.float64)


def drawn_limits(
    measure: Measure, shapes: Array, n: int, estimate: float, level: float, seed: int
) -> tuple[float, float]:
    """Return the limits of a measure from Dirichlet draws of the patterns' weights.

    The estimate always lies within them: where all agreed, the upper limit is 1.
    """
    rng = np.random.default_rng(seed)
    draws = int(np.clip(WORK // len(shapes), *DRAWS))
    step = max(1, CHUNK // len(shapes))
    drawn = []
    for start in range(0, draws, step):
        weights = rng.standard_gamma(shapes, size=(min(step, draws - start), len(shapes)))
        with np.errstate(invalid="ignore", divide="ignore"):
            drawn.append(measure(weights / weights.sum(axis=1, keepdims=True)))
    values = np.concatenate(drawn)
    values = values[np.isfinite(values)]
    tail = expanded_tail(n, level)
    low, high = np.quantile(values, [tail, 1 - tail])
    return float(min(low, estimate)), float(max(high, estimate))


def expanded_tail(n: int, level: float) -> float:
    """Return the tail that makes a percentile interval as wide as a t interval with n - 1 degrees of freedom.

    A weighted mean drawn from a sample of n has variance s^2 / n with divisor n in s^2, and the normal quantile; the
    t interval has divisor n - 1 and the t quantile (Hesterberg 2015, The American Statistician 69:371-386).
    """
    df = max(1, n - 1)
    return float(ndtr(-math.sqrt((df + 1) / df) * stdtrit(df, (1 + level) / 2)))


def check_seed(seed: int) -> int:
    """Return the seed or raise ValueError unless it is a whole number from 0."""
    if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or seed < 0:
        raise ValueError(f"seed is {seed!r}; a whole number from 0 is needed")
    return int(seed)
