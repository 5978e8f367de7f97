"""Cohen's kappa, plain and weighted, for two coders."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from analysis.stats.coded import Coded, Codes, pair_table
from analysis.stats.pseudo_counts import (
    TOO_MANY,
    Measure,
    check_seed,
    drawn_limits,
    with_pseudo_patterns,
)
from analysis.stats.result import Interval, check_level

Weights = Literal["linear", "quadratic"]
Array = npt.NDArray[np.float64]

RANDOM_UNITS = "the double-coded routines are a random part of all, and the coders worked independently"
ONE_CATEGORY = "both coders used one category throughout, so chance agreement is complete"
NOTHING = "no routine was coded by both"


def cohen_kappa(
    codes_a: Codes,
    codes_b: Codes,
    weights: Weights | None = None,
    level: float = 0.95,
    order: Sequence[Any] | None = None,
    seed: int = 0,
) -> Interval:
    """Cohen's kappa: how far two coders agree beyond what their own shares of codes would give by chance.

    Assumes that the units coded twice are a random part of all units and that the coders worked independently.

    Parameters
    ----------
    codes_a, codes_b : sequences
        Position i is the same routine. None, NaN and blank text are missing; such pairs are left out and counted.
    weights : {None, "linear", "quadratic"}
        None counts each disagreement alike; the others count it by the distance |i - j|, or its square, between
        places in the order of the categories (places, not values: for points use `intraclass`).
    level : float
    order : sequence, optional
        The categories from first to last. Weights need it unless the codes are numbers; without it text is put in
        alphabetical order and the result says so.
    seed : int
        Of the draws behind the interval.

    Returns
    -------
    Interval
        Percentiles of kappa under Dirichlet draws with two pseudo-counts (half a count in each cell of a 2 x 2
        table), moved outwards as t lies outside the normal quantile, and stretched to the estimate where it lies
        outside. Kappa is undefined where both used one category throughout: the estimate is NaN and the interval the
        whole scale.

    Raises
    ------
    ValueError
        If the lists differ in length, a code isn't in `order`, or an option is unknown.

    Examples
    --------
    Two coders agree on 29 of 30 routines, but almost all were stuck:

    >>> a = ["stuck"] * 29 + ["step"]
    >>> b = ["stuck"] * 28 + ["step"] * 2
    >>> found = cohen_kappa(a, b)
    >>> round(found.estimate, 3), round(found.low, 1), round(found.high, 1)
    (0.651, 0.0, 0.9)

    Not for
    -------
    Codes nearly all in one category: see `prevalence_effect`, and give `gwet_ac` and the specific agreements
    beside kappa. A part chosen by its codes: oversampling rare codes changes kappa.

    References
    ----------
    Cohen 1960, Educational and Psychological Measurement 20:37-46; Cohen 1968, Psychological Bulletin 70:213-220.
    """
    level, seed = check_level(level), check_seed(seed)
    table, coded = pair_table(codes_a, codes_b, order)
    k, n = len(table), len(coded.places)
    cost = disagreement(k, weights)
    estimate = float(kappa_of(table, cost))
    low, high, why = -1.0, 1.0, [coded.note] if coded.note else []
    made = with_pseudo_patterns(coded.places, k, near=weights == "quadratic")
    if math.isnan(estimate):
        why.append(ONE_CATEGORY if n else NOTHING)
    elif made is None:
        why.append(TOO_MANY)
    else:
        low, high = drawn_limits(_measure(made[0], cost), made[1], n, estimate, level, seed)
    if alphabetical(coded, weights, order):
        why.append(f"order taken from the alphabet: {', '.join(map(str, coded.categories))}")
    return Interval(
        quantity=f"{weights}-weighted kappa" if weights else "kappa",
        estimate=estimate,
        low=low,
        high=high,
        level=level,
        method="Dirichlet percentiles",
        n=n,
        assumes=RANDOM_UNITS,
        why="; ".join(why),
    )


def kappa_standard_error(
    codes_a: Codes,
    codes_b: Codes,
    weights: Weights | None = None,
    order: Sequence[Any] | None = None,
    null: bool = False,
) -> float:
    """Large-sample standard error of kappa, for comparison with published tables.

    Assumes many units, sampled at random. Below some 100 units an interval of 1.96 of these on each side covers far too
    seldom (95 % nominal, a third at worst with 20 or 30 units), and at complete agreement it is 0: use `cohen_kappa`.

    Parameters
    ----------
    codes_a, codes_b, weights, order
        As in `cohen_kappa`.
    null : bool
        Whether under independence of the coders (for a test of kappa = 0) or at the kappa seen (for an interval).

    Returns
    -------
    float, NaN where kappa is undefined.

    Raises
    ------
    ValueError
        As in `cohen_kappa`.

    Examples
    --------
    >>> a = [1] * 50 + [0] * 50
    >>> b = [1] * 45 + [0] * 5 + [1] * 9 + [0] * 41
    >>> round(kappa_standard_error(a, b), 4), round(kappa_standard_error(a, b, null=True), 4)
    (0.0692, 0.0997)

    References
    ----------
    Fleiss, Cohen & Everitt 1969, Psychological Bulletin 72:323-327.
    """
    table, _ = pair_table(codes_a, codes_b, order)
    cost = disagreement(len(table), weights)
    n = int(table.sum())
    kappa = float(kappa_of(table, cost))
    if math.isnan(kappa):
        return math.nan
    share, agree = table / n, 1 - cost / cost.max()
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    by_chance = rows @ agree @ columns
    marginal = (agree @ columns)[:, None] + rows @ agree
    if null:
        spread = rows @ (agree - marginal) ** 2 @ columns - by_chance**2
    else:
        spread = (share * (agree - marginal * (1 - kappa)) ** 2).sum() - (
            kappa - by_chance * (1 - kappa)
        ) ** 2
    return float(math.sqrt(max(0.0, spread) / n) / (1 - by_chance))


def disagreement(k: int, weights: Weights | None) -> Array:
    """Return what each cell of a k by k table costs: 1 off the diagonal, the distance, or its square."""
    steps = np.abs(np.subtract.outer(np.arange(k), np.arange(k))).astype(float)
    costs = {None: np.sign(steps), "linear": steps, "quadratic": steps**2}
    if weights not in costs:
        raise ValueError(f"weights {weights!r} is not one of None, linear, quadratic")
    return costs[weights]


def kappa_of(table: npt.ArrayLike, cost: Array) -> Array:
    """Return kappa of one or more tables (the last two axes) under any costs with a zero diagonal; NaN if undefined."""
    counts = np.asarray(table, dtype=float)
    total = counts.sum(axis=(-1, -2))
    seen = (counts * cost).sum(axis=(-1, -2)) * total
    chance = np.einsum("...i,ij,...j->...", counts.sum(axis=-1), cost, counts.sum(axis=-2))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(chance > 0, 1 - seen / chance, np.nan)


def alphabetical(coded: Coded, weights: object, order: Sequence[Any] | None) -> bool:
    """Whether the alphabet decided distances: three or more categories, not all numbers, and no order given."""
    text = any(isinstance(category, str) for category in coded.categories)
    return bool(weights) and order is None and text and len(coded.categories) > 2


def _measure(patterns: npt.NDArray[np.int64], cost: Array) -> Measure:
    """Return kappa as a function of the patterns' weights."""
    eye = np.eye(len(cost))
    rows, columns = eye[patterns[:, 0]], eye[patterns[:, 1]]
    costs = cost[patterns[:, 0], patterns[:, 1]]

    def kappa(drawn: Array) -> Array:
        chance = ((drawn @ rows @ cost) * (drawn @ columns)).sum(axis=1)
        return 1 - (drawn @ costs) / chance

    return kappa
