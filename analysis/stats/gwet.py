"""Gwet's AC1 and AC2: agreement beyond chance that stays steady when nearly all codes fall in one category."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from analysis.stats.coded import MISSING, Codes, read_codes
from analysis.stats.kappa import NOTHING, RANDOM_UNITS, Array, Weights, alphabetical, disagreement
from analysis.stats.pseudo_counts import TOO_MANY, pseudo_patterns
from analysis.stats.result import Interval, check_level


class Coefficient(NamedTuple):
    """The coefficient of weighted units and its standard error."""

    value: float
    standard_error: float


def gwet_ac(
    codes_a: Codes,
    codes_b: Codes,
    weights: Weights | None = None,
    level: float = 0.95,
    order: Sequence[Any] | None = None,
    more: Sequence[Codes] = (),
) -> Interval:
    """Gwet's AC1 (plain) or AC2 (weighted): agreement beyond chance, chance judged by how mixed the codes are.

    Assumes that the units coded twice are a random part of all units and that the coders worked independently.

    Parameters
    ----------
    codes_a, codes_b : sequences
        Position i is the same routine. None, NaN and blank text are missing; such pairs are left out and counted.
    weights : {None, "linear", "quadratic"}
        As in `cohen_kappa`.
    level : float
    order : sequence, optional
        The categories from first to last. It matters to AC, more than to kappa, how many categories the codebook has:
        name also those that nobody used. Without it the codes that occur count, and at least two.
    more : sequence of sequences
        Codes of further coders. With three or more coders a routine that only one of them coded still counts in the
        shares of the categories.

    Returns
    -------
    Interval
        The estimate is the textbook's. The interval is the Wald interval with t on n - 1 degrees of freedom around the
        coefficient of the units plus two pseudo-counts spread evenly over the table (half a count in each cell of a
        2 x 2 table), cut at -1 and 1; it always reaches the estimate.

    Raises
    ------
    ValueError
        If the lists differ in length, a code isn't in `order`, or an option is unknown.

    Examples
    --------
    Two coders agree on 118 of 125; kappa would be -0.02:

    >>> a = ["stuck"] * 123 + ["step"] * 2
    >>> b = ["stuck"] * 118 + ["step"] * 5 + ["stuck"] * 2
    >>> print(gwet_ac(a, b))
    AC1 0.9408 (95 % 0.8835 to 0.9813), Wald t with pseudo-counts, 125 observations

    Not for
    -------
    Hiding a low kappa: give both, with the specific agreements, and say how rare the rare code was.

    References
    ----------
    Gwet 2008, British Journal of Mathematical and Statistical Psychology 61:29-48; Gwet 2014, Handbook of Inter-Rater
    Reliability, 4th edition.
    """
    level = check_level(level)
    coded = read_codes([codes_a, codes_b, *more], order, least=1 if more else 2)
    k = max(2, len(coded.categories))
    cost = disagreement(k, weights)
    agree = 1 - cost / cost.max()
    places, n = coded.places, len(coded.places)
    estimate = coefficient(places, np.ones(n), agree).value
    low, high, why = -1.0, 1.0, [coded.note] if coded.note else []
    made = pseudo_patterns(k, places.shape[1], even=True)
    if math.isnan(estimate):
        why.append(NOTHING)
    elif made is None:
        why.append(TOO_MANY)
    else:
        patterns, masses = np.concatenate((places, made[0])), np.concatenate((np.ones(n), made[1]))
        centre, error = coefficient(patterns, masses, agree)
        half = float(stdtrit(max(1, n - 1), (1 + level) / 2)) * error
        low, high = max(-1.0, min(centre - half, estimate)), min(1.0, max(centre + half, estimate))
    if alphabetical(coded, weights, order):
        why.append(f"order taken from the alphabet: {', '.join(map(str, coded.categories))}")
    return Interval(
        quantity="AC2" if weights else "AC1",
        estimate=estimate,
        low=low,
        high=high,
        level=level,
        method="Wald t with pseudo-counts",
        n=n,
        assumes=RANDOM_UNITS,
        why="; ".join(why),
    )


def coefficient(places: npt.NDArray[np.int64], masses: Array, agree: Array) -> Coefficient:
    """Return AC of units that count `masses` times each, under agreement weights, with Gwet's standard error.

    NaN where no unit has two codes.
    """
    k = len(agree)
    counts = (places[:, :, None] == np.arange(k)).sum(axis=1).astype(float)
    coders = (places != MISSING).sum(axis=1)
    several = coders >= 2
    total, paired = masses.sum(), masses[several].sum()
    if not paired:
        return Coefficient(math.nan, math.nan)
    own = np.zeros(len(places))
    pairs = coders[several] * (coders[several] - 1)
    own[several] = (counts * (counts @ agree - 1)).sum(axis=1)[several] / pairs
    shares = counts / coders[:, None]
    share = masses @ shares / total
    scale = agree.sum() / (k * (k - 1))
    by_chance = scale * (share * (1 - share)).sum()
    value = ((masses @ own) / paired - by_chance) / (1 - by_chance)
    per_unit = np.where(several, total / paired * (own - by_chance) / (1 - by_chance), 0.0)
    per_unit -= 2 * (1 - value) * (scale * shares @ (1 - share) - by_chance) / (1 - by_chance)
    spread = masses @ (per_unit - value) ** 2 / (total * (total - 1)) if total > 1 else 0.0
    return Coefficient(float(value), float(math.sqrt(spread)))
