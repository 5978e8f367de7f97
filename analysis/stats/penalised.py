"""Penalised logistic regression: finite, nearly unbiased answers where maximum likelihood has none.

Our own rather than firthmodels 0.8.2, which agrees (coefficients to 4e-7, profile limits to 2e-8, on eighteen sets of
tests/benchmarks/bench_logistic.py) but brings scikit-learn with it, takes up to 3 s for the limits of 300 rows and 6
columns where ours take 0.1 s, and raises an error when every outcome is the same or columns repeat each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import brentq
from scipy.special import expit
from scipy.stats import chi2

from analysis.stats.design_matrix import (
    Design,
    Floats,
    Line,
    group_rows,
    independent_columns,
    read_design,
)
from analysis.stats.result import Fit, check_level
from analysis.stats.separated import separation_of

_ITERATIONS = 300
_CLOSE = 1e-9  # a step of this many standard errors is no step
_ROUNDING = 1e-6  # and one of this many is accepted where no shorter one can be had
_REMEMBERED = 10  # steps that correct the next one
_LONGEST = 5.0  # the longest step, in standard deviations of a column on the logit scale


@dataclass(frozen=True, eq=False)
class Peak:
    """A maximum of the penalised likelihood, free or with one coefficient held (columns in the fitter's scale)."""

    beta: Floats
    log_likelihood: float
    score: Floats
    covariance: Floats
    found: bool


class Penalised:
    """The penalised likelihood of one design: its maximum, free or with one coefficient held.

    Log-likelihood plus half the log determinant of the information (Firth 1993). Inside, columns have a standard
    deviation of 1 and, unless `centred` is False, a mean of 0: a year or a date as a column would otherwise drown
    the constant in rounding. The slopes' profiles are the same either way; the constant's needs the plain columns.
    """

    def __init__(self, design: Design, centred: bool = True) -> None:
        self.independent = independent_columns(design.X, design.names)
        columns = design.X[:, list(self.independent.kept)]
        self.scale = np.concatenate([[1.0], columns.std(axis=0)])
        self.middle = np.concatenate([[0.0], columns.mean(axis=0) if centred else np.zeros(columns.shape[1])])
        self.rows = (np.column_stack([np.ones(design.n), columns]) - self.middle) / self.scale
        grouped = group_rows(self.rows, design.y)
        self.Z, self.m, self.s = grouped.Z, grouped.m, grouped.s
        # The determinant is reported in the caller's units, so that values can be compared between fits.
        self._units = float(np.log(self.scale).sum())

    def functional(self, position: int) -> Floats:
        """The weights that turn coefficients in this scale into one in the caller's units."""
        weights = np.zeros(len(self.scale))
        weights[position] = 1 / self.scale[position]
        return weights if position else weights - self.middle / self.scale

    def at(self, beta: Floats) -> tuple[float, Floats, Floats, Floats]:
        """Penalised log-likelihood, its gradient, the information and the step matrix at `beta`."""
        eta = self.Z @ beta
        p = expit(eta)
        variance = p * (1 - p)
        root = self.Z * np.sqrt(self.m * variance)[:, None]
        information = root.T @ root
        factor = np.linalg.cholesky(information)
        log_determinant = 2 * float(np.log(np.diag(factor)).sum())
        # Leverage of one observation of each group: its variance times z' information^-1 z.
        leverage = variance * (solve_triangular(factor, self.Z.T, lower=True) ** 2).sum(axis=0)
        residual = self.s - self.m * p + self.m * leverage * (0.5 - p)
        # log p and log (1 - p) written so that neither overflows at the edge.
        fit = -float(self.s @ np.logaddexp(0, -eta) + (self.m - self.s) @ np.logaddexp(0, eta))
        heavier = root * np.sqrt(1 + leverage)[:, None]  # the penalty acts like `leverage` more observations
        return (
            fit + 0.5 * log_determinant + self._units,
            self.Z.T @ residual,
            information,
            heavier.T @ heavier,
        )

    def maximum(self, start: Floats, held: int | None = None) -> Peak:
        """Climb from `start`; the coefficient `held` keeps its value there."""
        free = [k for k in range(len(start)) if k != held]
        beta = np.array(start, dtype=float)
        try:
            value, score, information, matrix = self.at(beta)
        except np.linalg.LinAlgError:
            empty = np.full((len(beta), len(beta)), math.nan)
            return Peak(beta, math.nan, empty[0], empty, False)
        left = 0.0  # how far from the maximum, in squared standard errors
        pairs: list[tuple[Floats, Floats]] = []
        for _ in range(_ITERATIONS if free else 0):
            step = np.zeros(len(beta))
            step[free] = _ascent(matrix[np.ix_(free, free)], score[free], pairs)
            left = float(step[free] @ score[free])
            if left < _CLOSE**2:
                break
            step *= min(1.0, _LONGEST / float(np.abs(step).max()))
            for _ in range(60):
                try:
                    tried = self.at(beta + step)
                except np.linalg.LinAlgError:  # so far out that the information vanishes
                    tried = (-math.inf, score, information, matrix)
                if tried[0] >= value - 1e-13 * abs(value):
                    break
                step /= 2
            else:
                break
            if step[free] @ (score - tried[1])[free] > 0:
                pairs = [*pairs[1 - _REMEMBERED :], (step[free], (score - tried[1])[free])]
            beta = beta + step
            value, score, information, matrix = tried
        # Columns far from their own zero (a year, a date) leave rounding that no further step removes.
        return Peak(
            beta, value, score, np.asarray(np.linalg.inv(information), dtype=np.float64), left < _ROUNDING**2
        )

    def best(self) -> Peak:
        """The free maximum, from no effect at all."""
        return self.maximum(np.zeros(self.Z.shape[1]))

    def limit(self, peak: Peak, held: int, sign: int, drop: float) -> float:
        """Where the profile of one coefficient has fallen by `drop` from its peak, below (-1) or above (1) it.

        Newton on the signed root of the fall, which is nearly a straight line, inside a bracket that only shrinks.
        The penalty falls without end on both sides, so there is always such a point.
        """
        target = math.sqrt(drop)
        inner, outer = float(peak.beta[held]), math.inf * sign
        value = inner + sign * target * math.sqrt(2 * peak.covariance[held, held])
        here = peak
        for _ in range(100):
            here = self.maximum(shifted(here, held, value), held)
            if not here.found:
                return math.nan
            root = math.sqrt(max(peak.log_likelihood - here.log_likelihood, 0.0))
            if abs(root - target) < 1e-9 * target:
                return value
            if root < target:
                inner = value
            else:
                outer = value
            if abs(outer - inner) < 1e-9 * (1 + abs(value)):
                outer = math.inf * sign  # a step too long had landed on a lower ridge: walk on along this one
            slope = -float(here.score[held]) / (2 * root) if root > 0 else 0.0
            value = value + (target - root) / slope if slope * sign > 0 else math.nan
            if not min(inner, outer) < value < max(inner, outer):
                start = float(peak.beta[held])
                value = (inner + outer) / 2 if math.isfinite(outer) else start + 2 * (inner - start) + sign
        return math.nan


def _ascent(matrix: Floats, score: Floats, pairs: list[tuple[Floats, Floats]]) -> Floats:
    """The step uphill: Newton's with `matrix`, corrected by what the last steps did to the score.

    `matrix` leaves out how the leverages change, which makes plain Newton crawl where the data hardly hold the
    penalty back; the two-loop recursion of limited-memory BFGS puts that in without a third derivative.
    """
    q = score.copy()
    shares = []
    for step, change in reversed(pairs):
        share = float(step @ q) / float(step @ change)
        shares.append(share)
        q -= share * change
    found = np.asarray(np.linalg.solve(matrix, q), dtype=np.float64)
    for (step, change), share in zip(pairs, reversed(shares), strict=True):
        found += (share - float(change @ found) / float(step @ change)) * step
    return found


def shifted(peak: Peak, held: int, value: float) -> Floats:
    """One coefficient moved to `value`, the others to where they would follow it to first order."""
    along = peak.covariance[held] / peak.covariance[held, held]
    return peak.beta + (value - peak.beta[held]) * along


_UNSETTLED = "the search along the profile did not settle"


def firth(
    y: Any,
    X: Any,
    level: float = 0.95,
    names: Sequence[str] | None = None,
    columns: Iterable[str | int] | None = None,
) -> Fit:
    """Logistic regression by penalised maximum likelihood, with profile intervals and likelihood-ratio p-values.

    Assumes independent routines, one outcome 0 or 1 each, and a logit that is linear in the columns. The answer is
    finite whatever the outcomes, all stuck included; for two groups it is what half a count more in each cell gives.

    Parameters
    ----------
    y : sequence of n values 0 or 1
    X : n x p numbers, a table or one column; without the constant
    level : float
        Confidence level of the profile intervals.
    names : sequence of p str, optional
        Names of the columns; a data frame brings its own.
    columns : sequence of str or int, optional
        Which coefficients get an interval and a p-value: names, or positions in X from 0; None for all. The others
        keep estimate and standard error. A profile costs as much as twenty fits.

    Returns
    -------
    Fit
        The constant first. `prediction_constant` replaces the constant when the fit is used to predict: with it
        the mean predicted rate is the observed one (infinite if every outcome is the same). `log_likelihood` is the
        penalised one. A coefficient that the columns can't tell apart is NaN, and `reasons` names the columns; with
        separation `why` says which outcomes and which columns.

    Raises
    ------
    ValueError
        If y is not 0/1, X is not numeric and finite, their lengths differ, or level or columns make no sense.

    Examples
    --------
    >>> fit = firth([1] * 9 + [1] * 14 + [0] * 8, [1] * 9 + [0] * 22, names=["first"])
    >>> print(fit)
    penalised maximum likelihood (Firth), profile intervals, 31 observations (separation: 9 of 31 outcomes ...)
      constant: 0.5341 (95 % −0.2939 to 1.4255), p = 0.2083
      first: 2.4104 (95 % 0.1310 to 7.3154), p = 0.0359 (separated: maximum likelihood has no finite value here)

    References
    ----------
    Firth 1993, Biometrika 80:27-38. Heinze & Schemper 2002, Statistics in Medicine 21:2409-2419. Puhr, Heinze, Nold,
    Lusa & Geroldinger 2017, Statistics in Medicine 36:2302-2317 (the corrected constant).

    Not for: the same athlete several times (intervals are then too short), or probabilities from the plain constant.
    """
    level = check_level(level)
    design = read_design(y, X, names)
    wanted = design.wanted(columns)
    model = Penalised(design)
    peak = model.best()
    size = len(design.names)
    found = [Line() for _ in range(size)]
    reasons = ["" if fine else model.independent.why for fine in model.independent.estimable]
    separated = separation_of(design)
    if separated.separated:
        for label in separated.columns:
            k = design.labels.index(label) + 1
            reasons[k] = reasons[k] or "separated: maximum likelihood has no finite value here"
    for position, k in enumerate((0, *(j + 1 for j in model.independent.kept))):
        if not model.independent.estimable[k]:
            continue
        if not peak.found:
            reasons[k] = "the search for the maximum did not settle"
            continue
        found[k] = _line(model, peak, position)
        if k in wanted:
            found[k] = _profile(found[k], model if k else Penalised(design, centred=False), position, level)
        if k in wanted and any(math.isnan(value) for value in (*found[k].interval, found[k].p_value)):
            reasons[k] = _UNSETTLED if k else f"{_UNSETTLED}: all columns 0 may be too far from these rows"
    return Fit(
        names=design.names,
        coefficients=tuple(line.estimate for line in found),
        standard_errors=tuple(line.error for line in found),
        intervals=tuple(line.interval for line in found),
        p_values=tuple(line.p_value for line in found),
        level=level,
        method="penalised maximum likelihood (Firth), profile intervals",
        n=design.n,
        log_likelihood=peak.log_likelihood if peak.found else math.nan,
        prediction_constant=_prediction_constant(model, peak),
        assumes="independent outcomes, logit linear in the columns",
        why="; ".join(part for part in (model.independent.why, separated.why) if part),
        reasons=tuple(reasons) if any(reasons) else (),
    )


def _line(model: Penalised, peak: Peak, position: int) -> Line:
    weights = model.functional(position)
    return Line(float(weights @ peak.beta), math.sqrt(float(weights @ peak.covariance @ weights)))


def _profile(line: Line, model: Penalised, position: int, level: float) -> Line:
    """The same coefficient with its profile interval and likelihood-ratio p-value; NaN where a search fails."""
    peak = model.best()
    if not peak.found:
        return line
    null = model.maximum(shifted(peak, position, 0.0), position)
    if not null.found:
        return line
    drop = float(chi2.ppf(level, 1)) / 2
    low, high = (model.limit(peak, position, side, drop) / float(model.scale[position]) for side in (-1, 1))
    fall = 2 * max(0.0, peak.log_likelihood - null.log_likelihood)
    return Line(line.estimate, line.error, (low, high), float(chi2.sf(fall, 1)))


def prediction_constant(model: Penalised, beta: Floats) -> float:
    """The constant, in the model's scale, with which the rates add up to the observed count; the slopes are kept."""
    events, trials = float(model.s.sum()), float(model.m.sum())
    if events in (0.0, trials):
        return math.inf if events else -math.inf
    slopes = model.Z[:, 1:] @ beta[1:]
    # Every rate lies between those at the lowest and the highest slope term, which brackets the answer.
    middle = math.log(events / (trials - events))
    low, high = middle - float(slopes.max()) - 1e-9, middle - float(slopes.min()) + 1e-9
    return float(brentq(lambda c: float(model.m @ expit(c + slopes)) - events, low, high, xtol=1e-13))


def _prediction_constant(model: Penalised, peak: Peak) -> float:
    if not (peak.found and model.independent.estimable[0]):
        return math.nan
    beta = np.concatenate([[prediction_constant(model, peak.beta)], peak.beta[1:]])
    return float(model.functional(0) @ beta)
