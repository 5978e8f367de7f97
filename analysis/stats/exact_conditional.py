"""Exact conditional logistic regression: each coefficient from the distribution that no other coefficient touches."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Any

import numpy as np

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.design_matrix import Design, Line, independent_columns, read_design
from analysis.stats.exact_counts import Conditional, conditional_distribution
from analysis.stats.exact_draws import drawn_coefficient
from analysis.stats.pseudo_counts import check_seed
from analysis.stats.result import Fit, check_level
from analysis.stats.separated import separation_of
from analysis.stats.tilted import Tilted

METHOD = "exact conditional logistic regression"


def exact_logistic(
    y: Any,
    X: Any,
    level: float = 0.95,
    names: Sequence[str] | None = None,
    columns: Iterable[str | int] | None = None,
    budget: Budget = DEFAULT,
    seed: int = 0,
) -> Fit:
    """Exact conditional logistic regression: nothing is approximated, whatever the sample size.

    Assumes independent routines, one outcome 0 or 1 each, and a logit that is linear in the columns. Given the
    totals of y times every other column, the total of y times this one has a distribution in which only its own
    coefficient is left. It is counted in whole numbers, row by row, dropping every state that can no longer reach
    the observed totals.

    Parameters
    ----------
    y : sequence of n values 0 or 1
    X : n x p numbers, a table or one column; without the constant. Read as decimals, so 0.1 is a tenth.
    level : float
        Confidence level; (1 - level) / 2 a side, at the edge of the distribution too.
    names : sequence of p str, optional
        Names of the columns; a data frame brings its own.
    columns : sequence of str or int, optional
        The coefficients wanted: names, or positions in X from 0; None for all. The others are NaN.
    budget : Budget
        Work, shared equally by the coefficients wanted, and memory. Past it arrangements are drawn at random, at the
        most `budget.draws` of them for each coefficient, within as much work again; past that a coefficient is NaN.
    seed : int
        Of the draws.

    Returns
    -------
    Fit
        The constant first. Coefficients are conditional maximum-likelihood values; at the edge of the distribution
        these would be infinite, so there the median-unbiased value stands, its standard error is NaN and the
        interval is open to that side. The p-value adds the probabilities of all totals that are no more probable
        than the observed one (ties decided in whole numbers). It isn't the test that the interval belongs to (that
        is twice the smaller tail); where they disagree at this level, `reasons` says so. Where arrangements were drawn,
        `reasons` says how many and how large a standard error that leaves in the p-value, the estimate and each limit;
        the p-value is then twice the smaller tail, the observed arrangement counted as one of the draws.

    Raises
    ------
    ValueError
        If y is not 0/1, X is not numeric and finite, their lengths differ, or level or columns make no sense.

    Examples
    --------
    9 of 9 against 14 of 22: the best finite statement about the log odds ratio is its lower limit.

    >>> fit = exact_logistic([1] * 9 + [1] * 14 + [0] * 8, [1] * 9 + [0] * 22, names=["first"])
    >>> print(fit)
    exact conditional logistic regression, 31 observations (separation: 9 of 31 outcomes are predicted without ...)
      constant: 0.5596 (95 % −0.3781 to 1.5717), p = 0.2863
      first: 1.8430 (95 % −0.1973 to infinity), p = 0.0677 (the observed total is at the edge: ...)

    References
    ----------
    Cox & Snell 1989, Analysis of Binary Data, pages 26-105. Hirji, Mehta & Patel 1987, Journal of the American
    Statistical Association 82:1110-1117. Mehta & Patel 1995, Statistics in Medicine 14:2143-2160. Mehta, Patel &
    Senchaudhuri 2000, Journal of the American Statistical Association 95:99-108 (drawing the arrangements).

    Not for: columns measured so finely that hardly two arrangements share their totals (the answer is then NaN), or
    the same athlete several times.
    """
    level, seed = check_level(level), check_seed(seed)
    design = read_design(y, X, names)
    wanted = design.wanted(columns)
    size = len(design.names)
    share = Budget(budget.operations / max(1, len(wanted)), budget.cells, budget.draws)
    lines = [
        exact_coefficient(design, k, level, share, seed) if k in wanted else Line(why="not asked for")
        for k in range(size)
    ]
    return Fit(
        names=design.names,
        coefficients=tuple(line.estimate for line in lines),
        standard_errors=tuple(line.error for line in lines),
        intervals=tuple(line.interval for line in lines),
        p_values=tuple(line.p_value for line in lines),
        level=level,
        method=METHOD + (", drawn" if any(line.draws for line in lines) else ""),
        n=design.n,
        assumes="independent outcomes, logit linear in the columns",
        why=separation_of(design).why,
        reasons=tuple(line.why for line in lines) if any(line.why for line in lines) else (),
    )


def exact_coefficient(design: Design, k: int, level: float, budget: Budget, seed: int) -> Line:
    """One coefficient (0 is the constant) with its exact interval and p-value, counted or else drawn."""
    independent = independent_columns(design.X, design.names)
    if not independent.estimable[k]:
        return Line(why=independent.why)
    design, k = design.only(independent.kept), 0 if k == 0 else independent.kept.index(k - 1) + 1
    found = conditional_distribution(design, k, budget)
    if found.too_much:
        return drawn_coefficient(design, k, level, budget, seed)
    return Line(why=found.why) if found.why else _read(found, level)


def _read(found: Conditional, level: float) -> Line:
    alpha = 1 - level
    shape = Tilted(found.totals.astype(float), np.array([math.log(count) for count in found.counts]))
    at = found.observed
    edge = shape.lowest or shape.highest
    estimate, (low, high) = shape.estimate(), shape.limits(alpha)
    error = math.nan if edge else 1 / math.sqrt(shape.moments(estimate)[1]) / found.step
    everything = sum(found.counts)
    p_value = _ratio(sum(c for c in found.counts if c <= found.counts[at]), everything)
    why = "the observed total is at the edge: median-unbiased estimate" if edge else ""
    if (p_value <= alpha) != (low > 0 or high < 0):
        tails = _ratio(min(sum(found.counts[at:]), sum(found.counts[: at + 1])), everything)
        told = f"the interval belongs to twice the smaller tail, p = {min(1.0, 2 * tails):.4f}"
        why = f"{why}; {told}" if why else told
    return Line(estimate / found.step, error, (low / found.step, high / found.step), p_value, why)


def _ratio(part: int, whole: int) -> float:
    """A quotient of whole numbers of any length, rounded once."""
    return float(Fraction(part, whole))
