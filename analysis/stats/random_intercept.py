"""Logistic model with a random intercept per athlete, by adaptive Gauss-Hermite quadrature."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from analysis.stats.design_matrix import Design, independent_columns, no_fit, read_design
from analysis.stats.intercept_likelihood import LARGEST_SD, MOST_POINTS, Floats, Likelihood, Peak, maximum
from analysis.stats.intercept_profile import Profile, Profiled
from analysis.stats.result import Effect, Fit, check_level
from analysis.stats.routines import number_codes
from analysis.stats.separated import separation_of

METHOD = "random intercept, adaptive Gauss-Hermite quadrature, profile-likelihood intervals"
WALD = "random intercept, adaptive Gauss-Hermite quadrature, Wald intervals"
ASSUMES = "athletes independent, their effects normal on the logit; logit linear in the columns"
ENDLESS = "the spread between athletes has no finite estimate: given the columns, athletes land always or never stuck"
UNSETTLED = "the search for the maximum did not settle"
NO_SPREAD_FOUND = "no spread between athletes beyond chance: the maximum lies at sd 0"

_COARSE = 0.01  # of log-likelihood; past it the points asked for don't resolve the athletes' effects


def random_intercept(
    y: Any,
    X: Any,
    cluster: Iterable[Hashable],
    points: int = 25,
    level: float = 0.95,
    names: Sequence[str] | None = None,
    columns: Iterable[str | int] | None = None,
) -> Fit:
    """Logistic regression in which every athlete has a level of their own, normally distributed on the logit.

    Assumes that athletes are independent, that their effects are normal, and that, given the athlete, routines are
    independent with a logit linear in the columns. A coefficient compares two routines of the same athlete.

    Parameters
    ----------
    y : sequence of n values 0 or 1
    X : n x p numbers, a table or one column; without the constant
    cluster : sequence of n hashable codes
        The athlete of each routine.
    points : int
        Quadrature points per athlete; 1 is Laplace's approximation.
    level : float
        Confidence level of the intervals.
    names : sequence of p str, optional
        Names of the columns; a data frame brings its own.
    columns : sequence of str or int, optional
        Which coefficients get a profile interval and a likelihood-ratio p-value: names, or positions in X from 0;
        None for all. The others get Wald's, and `reasons` says so. A profile costs some ten fits.

    Returns
    -------
    Fit
        `coefficients` with the constant first; `sd` of the athletes' effects on the logit, 0 where the maximum lies
        there (the estimates are then the plain logistic ones, while the profiles go on weighing larger sds);
        `log_likelihood` of the 0/1 outcomes. `why` says when the points are too few for a spread this large,
        `reasons` likewise for a limit, and where a profile has no limit. With separation, with columns that repeat
        each other, or without an athlete who comes back, everything is NaN and `why` says so; where no athlete ever
        contradicts themselves the sd may be infinite, and the coefficients are NaN.

    Raises
    ------
    ValueError
        If y is not 0/1, X is not numeric, lengths differ, a code is missing, there is no such column, or `points` is
        not a whole number from 1 to 100.

    Examples
    --------
    >>> counts = [3, 3, 2, 3] + [3, 0, 1, 3, 0, 2, 3, 1, 2]
    >>> stuck = [int(i < count) for count in counts for i in range(3)]
    >>> fit = random_intercept(stuck, [1] * 12 + [0] * 27, [i // 3 for i in range(39)], names=["first"])
    >>> round(fit.coefficients[1], 3), round(fit.sd, 3)
    (2.957, 1.737)
    >>> tuple(round(limit, 3) for limit in fit.intervals[1])
    (-0.362, 9.079)

    Notes
    -----
    Not for a handful of athletes: the sd is then estimated badly, often at 0, and likelihood intervals are too short.
    Read it beside `clustered_difference`, which assumes less.

    References
    ----------
    Pinheiro, J. C. & Bates, D. M. (1995). Approximations to the log-likelihood function in the nonlinear mixed-effects
    model. Journal of Computational and Graphical Statistics 4, 12-35 (adaptive quadrature).
    Lesaffre, E. & Spiessens, B. (2001). On the effect of the number of quadrature points in a logistic random-effects
    model: an example. Applied Statistics 50, 325-335 (few points mislead).
    """
    level = check_level(level)
    model = _fitted(y, X, cluster, points, names)
    design = model.design
    wanted = design.wanted(columns)
    if model.profile is None:
        return no_fit(design, level, METHOD, ASSUMES, model.why, model.sd)
    covariance = model.back @ model.profile.covariance[:-1, :-1] @ model.back.T
    values, errors = model.back @ model.peak.theta[:-1], np.sqrt(np.diag(covariance))
    lines = [
        model.profile.coefficient(model.back[k], level) if k in wanted else _wald(value, error, level)
        for k, (value, error) in enumerate(zip(values.tolist(), errors.tolist(), strict=True))
    ]
    return Fit(
        names=design.names,
        coefficients=tuple(values.tolist()),
        standard_errors=tuple(errors.tolist()),
        intervals=tuple((line.low, line.high) for line in lines),
        p_values=tuple(line.p_value for line in lines),
        level=level,
        method=METHOD if wanted else WALD,
        n=design.n,
        log_likelihood=model.peak.log_likelihood,
        sd=model.sd,
        assumes=ASSUMES,
        why=model.why,
        reasons=tuple(line.why for line in lines) if wanted and any(line.why for line in lines) else (),
    )


def athletes_sd(
    y: Any,
    X: Any,
    cluster: Iterable[Hashable],
    points: int = 25,
    level: float = 0.95,
    names: Sequence[str] | None = None,
) -> Effect:
    """How far athletes differ: the sd of their effects on the logit, its profile interval, and the test of no spread.

    Assumes what `random_intercept` assumes. An sd of 1 means that two routines of the same kind, by an athlete one sd
    above the middle and one in the middle, differ by an odds ratio of 2.7.

    Parameters
    ----------
    y, X, cluster, points, level, names
        As in `random_intercept`.

    Returns
    -------
    Effect
        A lower limit of 0 says that no spread is compatible with the data; an infinite upper one that the profile
        doesn't fall far enough up to an sd of 30. The likelihood-ratio test of sd 0 halves the usual p-value, as the
        statistic is 0 in half of all samples without a spread; its p is 1 where the maximum lies at 0. The interval
        is two-sided, so it may hold 0 beside a p below 1 - level. NaN with `why` where the model has no answer.

    Raises
    ------
    ValueError
        As in `random_intercept`.

    Examples
    --------
    >>> counts = [3, 3, 2, 3] + [3, 0, 1, 3, 0, 2, 3, 1, 2]
    >>> stuck = [int(i < count) for count in counts for i in range(3)]
    >>> found = athletes_sd(stuck, [1] * 12 + [0] * 27, [i // 3 for i in range(39)], names=["first"])
    >>> round(found.estimate, 3), round(found.low, 3), round(found.high, 3), round(found.p_value, 4)
    (1.737, 0.0, 5.29, 0.0394)

    Notes
    -----
    Not for deciding whether repeats may be ignored: few athletes rarely show a spread that is there.

    References
    ----------
    Self, S. G. & Liang, K.-Y. (1987). Asymptotic properties of maximum likelihood estimators and likelihood ratio
    tests under nonstandard conditions. Journal of the American Statistical Association 82, 605-610.
    """
    level = check_level(level)
    model = _fitted(y, X, cluster, points, names)
    found, why = Profiled(math.nan, math.nan, math.nan, ""), model.why
    if model.profile is not None:
        found = model.profile.sd(level)
        why = "; ".join(part for part in (model.why, found.why) if part)
    return Effect(
        quantity="sd between athletes on the logit",
        estimate=model.sd,
        low=found.low,
        high=found.high,
        level=level,
        p_value=found.p_value,
        alternative="greater",
        method="likelihood-ratio test of no spread (halved at the edge)",
        interval_method="profile likelihood",
        n=model.design.n,
        assumes=ASSUMES,
        why=why,
    )


class _Fitted(NamedTuple):
    """A fitted model, or with `profile` None the reason why there is none in `why`."""

    design: Design
    peak: Peak
    sd: float
    back: Floats  # from coefficients of standardised columns to the caller's
    profile: Profile | None
    why: str


def _fitted(y: Any, X: Any, cluster: Iterable[Hashable], points: int, names: Sequence[str] | None) -> _Fitted:
    if isinstance(points, bool) or int(points) != points or not 1 <= points <= MOST_POINTS:
        raise ValueError(f"points is {points!r}; a whole number from 1 to {MOST_POINTS} is needed")
    design = read_design(y, X, names)
    athlete, _ = number_codes(cluster, "cluster")
    if len(athlete) != design.n:
        raise ValueError(
            f"y has {design.n} values and cluster {len(athlete)}; each routine needs one of each"
        )
    nowhere = Peak(np.full(len(design.names) + 1, math.nan), math.nan, np.zeros(0), False)
    none = _Fitted(design, nowhere, math.nan, np.zeros((0, 0)), None, _why_not(design, athlete))
    if none.why:
        return none
    middle, spread = design.X.mean(axis=0), design.X.std(axis=0)
    back = np.diag(np.concatenate([[1.0], 1 / spread]))
    back[0, 1:] = -middle / spread
    likelihood = Likelihood(design.y, (design.X - middle) / spread, athlete, int(points))
    peak = maximum(likelihood)
    if peak.sd > LARGEST_SD:
        return none._replace(sd=math.inf, why=ENDLESS)
    profile = Profile(likelihood, peak) if peak.found else None
    if profile is None or not profile.positive:
        return none._replace(why=UNSETTLED)
    why = "" if peak.sd else NO_SPREAD_FOUND
    change = profile.coarseness(peak.theta)
    if abs(change) > _COARSE:
        why = (
            f"too coarse: {MOST_POINTS} points in place of {points} change the log-likelihood by {change:.2g}"
        )
    return _Fitted(design, peak, peak.sd, back, profile, why)


def _wald(value: float, error: float, level: float) -> Profiled:
    z = float(stats.norm.isf((1 - level) / 2))
    p_value = float(2 * stats.norm.sf(abs(value) / error))
    return Profiled(value - z * error, value + z * error, p_value, "Wald interval and p-value")


def _why_not(design: Design, athlete: NDArray[np.int64]) -> str:
    """Say why the model has no finite answer, or nothing."""
    found = separation_of(design)
    if found.separated:
        return found.why
    independent = independent_columns(design.X, design.names)
    if independent.why:
        return independent.why
    sizes = np.bincount(athlete)
    if len(sizes) < 2:
        return "all routines are one athlete's; the spread between athletes needs two"
    if sizes.max() < 2:
        return "no athlete comes back, so the spread between athletes can't be told from chance"
    return ""
