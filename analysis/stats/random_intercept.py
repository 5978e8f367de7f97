"""Logistic model with a random intercept per athlete, by adaptive Gauss-Hermite quadrature."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Sequence
from copy import copy
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special, stats

from analysis.stats.design_matrix import Design, independent_columns, read_design
from analysis.stats.result import Fit, check_level
from analysis.stats.routines import number_codes
from analysis.stats.separated import separation_of

Floats = NDArray[np.float64]

METHOD = "random intercept, adaptive Gauss-Hermite quadrature, Wald intervals"
ASSUMES = "athletes independent, their effects normal on the logit; logit linear in the columns"
ENDLESS = "the spread between athletes has no finite estimate: given the columns, athletes land always or never stuck"
_LARGEST_SD = 30.0  # on the logit; past it every athlete is as good as always or never stuck
_NO_SPREAD = 1e-3  # a maximum this near to sd 0 is at 0: the likelihood is even in sd and flat there
_MOST_POINTS = 100
_COARSE = 0.01  # of log-likelihood; past it the points asked for don't resolve the athletes' effects
_GRADIENT_STEP = 1e-5
_HESSIAN_STEP = 1e-4


def random_intercept(
    y: Any,
    X: Any,
    cluster: Iterable[Hashable],
    points: int = 25,
    level: float = 0.95,
    names: Sequence[str] | None = None,
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
        Confidence level of the Wald intervals.
    names : sequence of p str, optional
        Names of the columns; a data frame brings its own.

    Returns
    -------
    Fit
        `coefficients` with the constant first; `sd` of the athletes' effects on the logit, 0 where the maximum lies
        there (the fit is then the plain logistic one); `log_likelihood` of the 0/1 outcomes. `why` says when the points
        are too few for a spread this large. With separation, with
        columns that repeat each other, or without an athlete who comes back, everything is NaN and `why` says so;
        where no athlete ever contradicts themselves the sd may be infinite, and the coefficients are NaN.

    Raises
    ------
    ValueError
        If y is not 0/1, X is not numeric, lengths differ, a code is missing, or `points` is not a whole number from
        1 to 100.

    Examples
    --------
    >>> counts = [3, 3, 2, 3] + [3, 0, 1, 3, 0, 2, 3, 1, 2]
    >>> stuck = [int(i < count) for count in counts for i in range(3)]
    >>> fit = random_intercept(stuck, [1] * 12 + [0] * 27, [i // 3 for i in range(39)], names=["first"])
    >>> round(fit.coefficients[1], 3), round(fit.sd, 3)
    (2.957, 1.737)

    Notes
    -----
    Not for a handful of athletes: the sd is then estimated badly, often at 0, and Wald intervals are too short. Read it
    beside `clustered_difference`, which assumes less.

    References
    ----------
    Pinheiro, J. C. & Bates, D. M. (1995). Approximations to the log-likelihood function in the nonlinear mixed-effects
    model. Journal of Computational and Graphical Statistics 4, 12-35 (adaptive quadrature).
    Lesaffre, E. & Spiessens, B. (2001). On the effect of the number of quadrature points in a logistic random-effects
    model: an example. Applied Statistics 50, 325-335 (few points mislead).
    """
    level = check_level(level)
    if isinstance(points, bool) or int(points) != points or not 1 <= points <= _MOST_POINTS:
        raise ValueError(f"points is {points!r}; a whole number from 1 to {_MOST_POINTS} is needed")
    design = read_design(y, X, names)
    athlete, _ = number_codes(cluster, "cluster")
    if len(athlete) != design.n:
        raise ValueError(
            f"y has {design.n} values and cluster {len(athlete)}; each routine needs one of each"
        )
    why = _why_not(design, athlete)
    if why:
        return _nothing(design, level, why)
    middle, spread = design.X.mean(axis=0), design.X.std(axis=0)
    likelihood = _Likelihood(design.y, (design.X - middle) / spread, athlete, int(points))
    back = np.diag(np.concatenate([[1.0], 1 / spread]))  # from standardised columns to the caller's
    back[0, 1:] = -middle / spread
    solved = _maximise(likelihood, design.X.shape[1] + 1)
    if isinstance(solved, str):
        return _nothing(design, level, solved, math.inf if solved == ENDLESS else math.nan)
    beta, sd, covariance = solved
    values = back @ beta
    errors = np.sqrt(np.diag(back @ covariance @ back.T))
    log_likelihood = likelihood(beta, sd)
    finer = likelihood.at(_MOST_POINTS)(beta, sd)
    why = "" if sd else "no spread between athletes beyond chance: the maximum lies at sd 0"
    if abs(finer - log_likelihood) > _COARSE:
        change = f"{finer - log_likelihood:.2g}"
        why = f"too coarse: {_MOST_POINTS} points in place of {points} change the log-likelihood by {change}"
    z = float(stats.norm.isf((1 - level) / 2))
    return Fit(
        names=design.names,
        coefficients=tuple(values.tolist()),
        standard_errors=tuple(errors.tolist()),
        intervals=tuple((float(v - z * e), float(v + z * e)) for v, e in zip(values, errors, strict=True)),
        p_values=tuple((2 * stats.norm.sf(np.abs(values / errors))).tolist()),
        level=level,
        method=METHOD,
        n=design.n,
        log_likelihood=log_likelihood,
        sd=sd,
        assumes=ASSUMES,
        why=why,
    )


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


def _nothing(design: Design, level: float, why: str, sd: float = math.nan) -> Fit:
    empty = (math.nan,) * len(design.names)
    limits = ((math.nan, math.nan),) * len(design.names)
    return Fit(
        design.names, empty, empty, limits, empty, level, METHOD, design.n, sd=sd, assumes=ASSUMES, why=why
    )


class _Likelihood:
    """The log-likelihood, athletes integrated out; equal rows of one athlete are counted once."""

    def __init__(self, y: Any, X: Floats, athlete: NDArray[np.int64], points: int) -> None:
        keyed = np.column_stack([athlete, X])
        rows, member = np.unique(keyed, axis=0, return_inverse=True)
        member = member.reshape(-1)
        self.Z = np.column_stack([np.ones(len(rows)), rows[:, 1:]])
        self.athlete = rows[:, 0].astype(np.int64)
        self.trials = np.bincount(member).astype(np.float64)
        self.stuck = np.bincount(member, weights=y)
        self.starts = np.flatnonzero(np.diff(self.athlete, prepend=-1))  # the rows come sorted by athlete
        self._place_nodes(points)

    def _place_nodes(self, points: int) -> None:
        nodes, weights = np.polynomial.hermite.hermgauss(points)
        self.nodes = math.sqrt(2) * nodes
        # the rule's weight exp(-x^2) is taken out again: the integrand carries its own normal density
        self.log_weights = np.log(weights) + nodes**2 + 0.5 * math.log(2) - 0.5 * math.log(2 * math.pi)

    def at(self, points: int) -> _Likelihood:
        """The same likelihood with another number of points."""
        other = copy(self)
        other._place_nodes(points)
        return other

    def _per_athlete(self, values: Floats) -> Floats:
        return np.add.reduceat(values, self.starts, axis=0)

    def _modes(self, eta: Floats, sd: float) -> tuple[Floats, Floats]:
        """Return each athlete's most likely effect in sds, and the curvature there.

        The slope falls from positive to negative, so Newton's step is kept inside a bracket and can't run away.
        """
        bound = 1 + abs(sd) * self._per_athlete(self.trials)
        low, high, u = -bound, bound, np.zeros(len(self.starts))
        for _ in range(200):
            chance = special.expit(eta + sd * u[self.athlete])
            slope = sd * self._per_athlete(self.stuck - self.trials * chance) - u
            curvature = 1 + sd**2 * self._per_athlete(self.trials * chance * (1 - chance))
            low, high = np.where(slope > 0, u, low), np.where(slope > 0, high, u)
            step = u + slope / curvature
            inside = (step >= low) & (step <= high)
            moved = np.where(inside, step, (low + high) / 2)
            if np.all(np.abs(slope) <= 1e-12 * (1 + bound)):
                break
            u = moved
        return u, curvature

    def __call__(self, beta: Floats, sd: float) -> float:
        eta = self.Z @ beta
        u, curvature = self._modes(eta, sd)
        scale = 1 / np.sqrt(curvature)
        at = u[:, None] + scale[:, None] * self.nodes
        logit = eta[:, None] + sd * at[self.athlete]
        each = self.stuck[:, None] * logit - self.trials[:, None] * np.logaddexp(0, logit)
        inside = self._per_athlete(each) - at**2 / 2 + self.log_weights
        return float((special.logsumexp(inside, axis=1) + np.log(scale)).sum())


def _maximise(likelihood: _Likelihood, width: int) -> tuple[Floats, float, Floats] | str:
    """Return coefficients, sd and the coefficients' covariance at the maximum, or why there is none."""

    def loss(theta: Floats) -> float:
        return -likelihood(theta[:width], float(theta[width]))

    def plain_loss(beta: Floats) -> float:
        return -likelihood(beta, 0.0)

    plain = _descend(plain_loss, np.zeros(width))
    best = None
    for start in (0.5, 2.0):
        found = _descend(loss, np.append(plain.x, start))
        if best is None or found.fun < best.fun:
            best = found
    assert best is not None
    sd = abs(float(best.x[width]))
    if sd > _LARGEST_SD:
        return ENDLESS
    at_zero = sd < _NO_SPREAD or plain.fun <= best.fun + 1e-9
    solved, function = (plain, plain_loss) if at_zero else (best, loss)
    if float(np.abs(solved.jac).max()) > 1e-3:
        return "the search for the maximum did not settle"
    hessian = _hessian(function, solved.x)
    if np.linalg.eigvalsh(hessian)[0] <= 0:
        return "the search for the maximum did not settle"
    covariance = np.asarray(np.linalg.inv(hessian)[:width, :width], dtype=np.float64)
    return solved.x[:width], 0.0 if at_zero else sd, covariance


def _descend(function: Callable[[Floats], float], start: Floats) -> Any:
    def gradient(at: Floats) -> Floats:
        steps = _GRADIENT_STEP * np.eye(len(at))
        return np.array(
            [(function(at + step) - function(at - step)) / (2 * _GRADIENT_STEP) for step in steps]
        )

    return optimize.minimize(
        function, start, jac=gradient, method="BFGS", options={"gtol": 1e-6, "maxiter": 500}
    )


def _hessian(function: Callable[[Floats], float], at: Floats) -> Floats:
    steps = _HESSIAN_STEP * np.eye(len(at))
    found = np.empty((len(at), len(at)))
    for i, one in enumerate(steps):
        for j, two in enumerate(steps[: i + 1]):
            corners = (
                function(at + one + two)
                - function(at + one - two)
                - function(at - one + two)
                + function(at - one - two)
            )
            found[i, j] = found[j, i] = corners / (4 * _HESSIAN_STEP**2)
    return found
