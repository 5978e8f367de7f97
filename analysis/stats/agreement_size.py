"""How many routines to code twice for an agreement interval of the width wanted."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from scipy.special import betaincinv, ndtri
from scipy.stats import binom

from analysis.stats.kappa import disagreement, kappa_of
from analysis.stats.pseudo_counts import check_seed, expanded_tail, pseudo_patterns
from analysis.stats.result import _Shown, check_choice, check_level, show_number

MEASURES = ("kappa", "agreement")
TABLES = 200  # tables that the expected width is averaged over
DRAWS = 800  # of kappa per table; what a single table's limits lack in precision the average makes up
LARGEST = 1_000_000


@dataclass(frozen=True)
class RecodeSize(_Shown):
    """How many routines to code twice.

    Parameters
    ----------
    routines : int
        The smallest number whose expected half width is no more than `wanted`, or all that are available.
    half_width : float
        Expected half width of the interval with that many routines.
    wanted : float
    formula : int
        What the large-sample standard error would ask for.
    measure : {"kappa", "agreement"}
    agreement, prevalence : float
        As supposed.
    level : float
    method : str
    why : str
        Why the wish can't be met; "" when it can.
    """

    routines: int
    half_width: float
    wanted: float
    formula: int
    measure: str
    agreement: float
    prevalence: float
    level: float
    method: str
    why: str = ""

    def __str__(self) -> str:
        tail = f" ({self.why})" if self.why else ""
        return (
            f"{self.routines} routines coded twice: {self.measure} ± {show_number(self.half_width)} "
            f"({100 * self.level:g} %), supposing agreement {self.agreement:g} and prevalence {self.prevalence:g}{tail}"
        )


def recode_size(
    half_width: float,
    agreement: float = 0.9,
    prevalence: float = 0.5,
    measure: Literal["kappa", "agreement"] = "kappa",
    level: float = 0.95,
    available: int | None = None,
    seed: int = 0,
) -> RecodeSize:
    """Return how many routines to code twice so that the agreement's interval has the half width wanted.

    Assumes two categories (stuck or not), two coders who use them equally often, and routines drawn at random.

    Parameters
    ----------
    half_width : float
        Half the length of the interval, on average over the samples that could come.
    agreement : float
        Share of routines on which the coders are supposed to agree.
    prevalence : float
        Supposed share of the first category.
    measure : {"kappa", "agreement"}
        Interval of `cohen_kappa` (its width simulated), or of `percent_agreement` (its width exact).
    level : float
    available : int, optional
        How many routines there are; no more can be coded twice.
    seed : int
        Of the simulation.

    Returns
    -------
    RecodeSize

    Raises
    ------
    ValueError
        If a number lies outside its range, no two coders can agree so little at that prevalence, or the half width
        asks for more than a million routines.

    Examples
    --------
    >>> print(recode_size(0.15, agreement=0.9, prevalence=0.8, measure="agreement"))
    19 routines coded twice: agreement ± 0.1500 (95 %), supposing agreement 0.9 and prevalence 0.8

    Not for
    -------
    Finding the number after some have been coded twice: choose it once, before.

    References
    ----------
    Standard error for the first guess: Cohen 1960, Educational and Psychological Measurement 20:37-46.
    """
    check_choice("measure", measure, MEASURES)
    level, seed = check_level(level), check_seed(seed)
    for name, value in (("half_width", half_width), ("agreement", agreement), ("prevalence", prevalence)):
        if isinstance(value, bool) or not 0 < value < 1:
            raise ValueError(f"{name} is {value!r}; it lies strictly between 0 and 1")
    if available is not None and (
        isinstance(available, bool) or available < 1 or available != int(available)
    ):
        raise ValueError(f"available is {available!r}; it is a whole number from 1")
    apart = (1 - agreement) / 2
    if measure == "kappa" and apart > min(prevalence, 1 - prevalence):
        raise ValueError(
            f"coders who use a category for {min(prevalence, 1 - prevalence):g} of the routines agree on at least "
            f"{1 - 2 * min(prevalence, 1 - prevalence):g} of them; agreement is {agreement!r}"
        )
    chance = prevalence**2 + (1 - prevalence) ** 2 if measure == "kappa" else 0.0
    z = float(ndtri((1 + level) / 2))
    formula = math.ceil(z**2 * agreement * (1 - agreement) / ((1 - chance) * half_width) ** 2 - 1e-9)
    if formula > LARGEST:
        raise ValueError(f"half_width {half_width!r} asks for some {formula:,} routines; choose a wider one")

    @cache
    def expected(n: int) -> float:
        if measure == "agreement":
            return _agreement_half_width(n, agreement, level)
        return _kappa_half_width(n, agreement, prevalence, level, seed)

    most = int(available) if available is not None else None
    why = ""
    if most is not None and expected(most) > half_width:
        routines, why = most, f"even all {most} routines give a wider interval than wanted"
    else:
        routines = _smallest(lambda n: expected(n) <= half_width, max(2, formula), most)
    return RecodeSize(
        routines=routines,
        half_width=expected(routines),
        wanted=half_width,
        formula=formula,
        measure=measure,
        agreement=agreement,
        prevalence=prevalence,
        level=level,
        method="expected half width, exact" if measure == "agreement" else "expected half width, simulated",
        why=why,
    )


def _smallest(enough: Callable[[int], bool], guess: int, most: int | None) -> int:
    """Return the smallest n from 2 that is enough, by bisection around a guess; `most`, if given, is known to be."""
    high = guess if most is None else min(guess, most)
    while not enough(high):
        high = high * 5 // 4 + 1 if most is None else min(most, high * 5 // 4 + 1)
    low = high * 3 // 4
    while low > 1 and enough(low):
        high, low = low, low * 3 // 4
    low = max(low, 1)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _agreement_half_width(n: int, agreement: float, level: float) -> float:
    """Return the expected half width of the Clopper–Pearson interval, summed over all outcomes that can matter."""
    reach = 9 * math.sqrt(n * agreement * (1 - agreement)) + 9
    x = np.arange(max(0, math.floor(n * agreement - reach)), min(n, math.ceil(n * agreement + reach)) + 1)
    tail = (1 - level) / 2
    low = np.where(x > 0, betaincinv(np.maximum(x, 1), n - x + 1, tail), 0.0)
    high = np.where(x < n, betaincinv(x + 1, np.maximum(n - x, 1), 1 - tail), 1.0)
    return float((binom.pmf(x, n, agreement) * (high - low)).sum() / 2)


def _kappa_half_width(n: int, agreement: float, prevalence: float, level: float, seed: int) -> float:
    """Return the mean half width of the interval of `cohen_kappa` over simulated 2 by 2 tables.

    The same seed at every n, so that the widths fall steadily as n grows.
    """
    rng = np.random.default_rng(seed)
    apart = (1 - agreement) / 2
    cells = [prevalence - apart, apart, apart, 1 - prevalence - apart]
    tables = rng.multinomial(n, np.maximum(cells, 0) / sum(cells), size=TABLES)
    made = pseudo_patterns(2, 2)
    assert made is not None
    order = made[0][:, 0] * 2 + made[0][:, 1]
    shapes = tables + made[1][np.argsort(order)]
    drawn = rng.standard_gamma(shapes[:, None, :], size=(TABLES, DRAWS, 4)).reshape(TABLES, DRAWS, 2, 2)
    cost = disagreement(2, None)
    tail = expanded_tail(n, level)
    low, high = np.quantile(kappa_of(drawn, cost), [tail, 1 - tail], axis=1)
    estimate = kappa_of(tables.reshape(TABLES, 2, 2), cost)
    width = np.fmax(high, estimate) - np.fmin(low, estimate)
    return float(np.where(np.isnan(estimate), 2.0, width).mean() / 2)
