"""Logistic models of stuck or not: is there a finite answer at all, and which routine gives it.

Look for separation first. Then penalised maximum likelihood (`firth`) for description and intervals, exact
conditional inference (`exact_logistic`) where the sample is tiny, and `standardised_difference` for what a coach
reads: the difference in stuck rate for the same mix of athletes. `maximum_likelihood` is here to be set beside them.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.stats import norm

from analysis.stats.budget import DEFAULT, Budget
from analysis.stats.design_matrix import Design, Line, independent_columns, read_design
from analysis.stats.exact_conditional import exact_coefficient, exact_logistic
from analysis.stats.penalised import firth
from analysis.stats.pseudo_counts import check_seed
from analysis.stats.result import Fit, check_level
from analysis.stats.separated import Separation, separation, separation_of
from analysis.stats.standardised import standardised_difference

__all__ = [
    "Separation",
    "exact_logistic",
    "firth",
    "maximum_likelihood",
    "separation",
    "standardised_difference",
]


def maximum_likelihood(
    y: Any,
    X: Any,
    level: float = 0.95,
    names: Sequence[str] | None = None,
    budget: Budget = DEFAULT,
    seed: int = 0,
) -> Fit:
    """Logistic regression by maximum likelihood, infinite where it is infinite.

    Assumes independent routines, one outcome 0 or 1 each, and a logit that is linear in the columns. Separation is
    looked for first. A coefficient that separates is plus or minus infinity, with the finite limit and the p-value of
    exact conditional inference; one whose sign the data leave open is NaN; the others are fitted to the rows that
    aren't predicted without error, which is where the likelihood's limit puts them.

    Parameters
    ----------
    y : sequence of n values 0 or 1
    X : n x p numbers, a table or one column; without the constant
    level : float
        Confidence level of the intervals (Wald for finite coefficients).
    names : sequence of p str, optional
        Names of the columns; a data frame brings its own.
    budget : Budget
        For the exact limits of infinite coefficients, which share the work equally.
    seed : int
        Of the draws, where a limit's exact distribution is past the budget.

    Returns
    -------
    Fit
        The constant first; `reasons` says of each coefficient why it isn't finite or where its limit comes from.

    Raises
    ------
    ValueError
        If y is not 0/1, X is not numeric and finite, their lengths differ, or level makes no sense.

    Examples
    --------
    >>> fit = maximum_likelihood([1] * 9 + [1] * 14 + [0] * 8, [1] * 9 + [0] * 22, names=["first"])
    >>> fit.coefficients[1], round(fit.intervals[1][0], 4), fit.intervals[1][1]
    (inf, -0.1973, inf)

    References
    ----------
    Albert & Anderson 1984, Biometrika 71:1-10. Geyer 2009, Electronic Journal of Statistics 3:259-289.

    Not for: small samples; Wald intervals are too short there and the estimates too far from 0. Use `firth`.
    """
    level, seed = check_level(level), check_seed(seed)
    design = read_design(y, X, names)
    found = separation_of(design)
    moving = {
        design.labels.index(c) + 1: sign for c, sign in zip(found.columns, found.directions, strict=True)
    }
    if found.constant:
        moving[0] = found.constant
    lines, log_likelihood = _finite(design, np.setdiff1d(np.arange(design.n), found.rows), level)
    share = Budget(budget.operations / max(1, len(moving)), budget.cells, budget.draws)
    for k, sign in moving.items():
        lines[k] = _infinite(design, k, sign, level, share, seed)
    return Fit(
        names=design.names,
        coefficients=tuple(line.estimate for line in lines),
        standard_errors=tuple(line.error for line in lines),
        intervals=tuple(line.interval for line in lines),
        p_values=tuple(line.p_value for line in lines),
        level=level,
        method="maximum likelihood, Wald intervals",
        n=design.n,
        log_likelihood=log_likelihood,
        assumes="independent outcomes, logit linear in the columns",
        why=found.why,
        reasons=tuple(line.why for line in lines) if any(line.why for line in lines) else (),
    )


def _finite(design: Design, left: Any, level: float) -> tuple[list[Line], float]:
    """Fit the rows in `left`; lines of the coefficients that they determine, and the log-likelihood there."""
    size = len(design.names)
    if not len(left):
        return [Line(why="every outcome is predicted without error")] * size, 0.0
    independent = independent_columns(design.X[left], design.names)
    columns = design.X[np.ix_(left, independent.kept)]
    middle, spread = columns.mean(axis=0), columns.std(axis=0)
    back = np.diag(np.concatenate([[1.0], 1 / spread]))  # from standardised columns to the caller's
    back[0, 1:] = -middle / spread
    from statsmodels.discrete.discrete_model import Logit  # imported late: it takes a second

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # whether it settled is asked for below
        standardised = np.column_stack([np.ones(len(left)), (columns - middle) / spread])
        solved = Logit(design.y[left], standardised).fit(method="newton", maxiter=100, disp=0)
    if not solved.mle_retvals["converged"]:
        return [Line(why="the search for the maximum did not settle")] * size, math.nan
    values = back @ solved.params
    errors = np.sqrt(np.diag(back @ solved.cov_params() @ back.T))
    z = float(norm.ppf((1 + level) / 2))
    lines = [Line(why=independent.why)] * size
    for position, k in enumerate((0, *(j + 1 for j in independent.kept))):
        if independent.estimable[k]:
            value, error = float(values[position]), float(errors[position])
            p_value = float(2 * norm.sf(abs(value) / error))
            lines[k] = Line(value, error, (value - z * error, value + z * error), p_value)
    return lines, float(solved.llf)


def _infinite(design: Design, k: int, sign: int, level: float, budget: Budget, seed: int) -> Line:
    """A coefficient that separates: infinite, with the finite limit that exact inference gives it."""
    if sign == 0:
        return Line(why="separation leaves its sign open")
    exact = exact_coefficient(design, k, level, budget, seed)
    if math.isnan(exact.p_value):
        interval = (math.nan, math.inf) if sign > 0 else (-math.inf, math.nan)
        why = f"separated; no exact limit: {exact.why}"
    else:
        interval, why = exact.interval, "separated: exact conditional limit and p-value"
        why += f" ({exact.why})" if exact.draws else ""
    return Line(sign * math.inf, math.nan, interval, exact.p_value, why)
