"""The likelihood of the random-intercept logistic model by adaptive quadrature, with its gradient and its maximum."""

from __future__ import annotations

import math
from copy import copy
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]

MOST_POINTS = 100
LARGEST_SD = 30.0  # on the logit; past it every athlete is as good as always or never stuck
NO_SPREAD = 1e-3  # a maximum this near to sd 0 is at 0: the likelihood is even in sd and flat there
_STARTS = (0.5, 2.0)  # of the sd: the likelihood can have two maxima
_STEPS = 300
_CLOSE = 1e-7  # a step of this many standard errors is no step
_SETTLED = 1e-4  # and one of this many is accepted where rounding lets no shorter one be had
_LONGEST = 2.0  # the longest step, on the logit of standardised columns
_DIFFERENCE = 1e-4  # the step of the second derivatives, which are differences of the gradient


class Peak(NamedTuple):
    """A maximum, free or with some parameters held: coefficients and then the sd, which is not negative."""

    theta: Floats
    log_likelihood: float
    gradient: Floats
    found: bool

    @property
    def sd(self) -> float:
        """The sd of the athletes' effects."""
        return float(self.theta[-1])


class Likelihood:
    """The log-likelihood, athletes integrated out; equal rows of one athlete are counted once.

    Parameters are the coefficients, the constant first, and then the sd. The sd may be negative on the way of a
    search: the likelihood is the same for either sign. Athletes are numbered from 0.
    """

    def __init__(self, y: NDArray[np.int64], X: Floats, athlete: NDArray[np.int64], points: int) -> None:
        keyed = np.column_stack([athlete, X])
        rows, member = np.unique(keyed, axis=0, return_inverse=True)
        member = member.reshape(-1)
        self.Z = np.column_stack([np.ones(len(rows)), rows[:, 1:]])
        self.athlete = rows[:, 0].astype(np.int64)
        self.trials: Floats = np.bincount(member).astype(np.float64)
        self.stuck: Floats = np.bincount(member, weights=y).astype(np.float64)
        self.starts = np.flatnonzero(np.diff(self.athlete, prepend=-1))  # the rows come sorted by athlete
        self._trials_each = self._per_athlete(self.trials)
        self._stuck_each = self._per_athlete(self.stuck)
        self._modes_before = np.zeros(len(self.starts))
        self._place_nodes(points)

    def _place_nodes(self, points: int) -> None:
        nodes, weights = np.polynomial.hermite.hermgauss(points)
        self.nodes = math.sqrt(2) * nodes
        # the rule's weight exp(-x^2) is taken out again: the integrand carries its own normal density
        self.log_weights = np.log(weights) + nodes**2 + 0.5 * math.log(2) - 0.5 * math.log(2 * math.pi)

    @property
    def width(self) -> int:
        """How many parameters there are, the sd among them."""
        return self.Z.shape[1] + 1

    def at(self, points: int) -> Likelihood:
        """The same likelihood with another number of points."""
        other = copy(self)
        other._place_nodes(points)
        return other

    def _per_athlete(self, values: Floats) -> Floats:
        return np.add.reduceat(values, self.starts, axis=0)

    def _modes(self, eta: Floats, sd: float) -> tuple[Floats, Floats]:
        """Return each athlete's most likely effect in sds, and the chance of each row there.

        The slope falls from positive to negative, so Newton's step is kept inside a bracket and can't run away; an end
        of the bracket was tried before, and stepping on it again could go round in circles.
        """
        bound = 1 + abs(sd) * self._trials_each
        low, high = -bound, bound.copy()
        u = np.clip(self._modes_before, low, high)
        for _ in range(200):
            chance = special.expit(eta + sd * u[self.athlete])
            weighted = self.trials * chance
            slope = sd * (self._stuck_each - self._per_athlete(weighted)) - u
            if np.all(np.abs(slope) <= 1e-12 * (1 + bound)):
                break
            curvature = 1 + sd**2 * self._per_athlete(weighted * (1 - chance))
            low, high = np.where(slope > 0, u, low), np.where(slope > 0, high, u)
            step = u + slope / curvature
            inside = (step > low) & (step < high)
            u = np.where(inside, step, (low + high) / 2)
        self._modes_before = u
        return u, chance

    def __call__(self, theta: Floats) -> float:
        """The log-likelihood of the 0/1 outcomes."""
        return self.with_gradient(theta)[0]

    def with_gradient(self, theta: Floats) -> tuple[float, Floats]:
        """The log-likelihood and its exact gradient, the movement of the nodes included.

        With few points the gradient at fixed nodes would be that of another function, and the search would stop
        beside the maximum. The nodes u + s x follow the mode u and the width s = C^(-1/2), C the curvature there;
        how both move with the parameters is the implicit derivative of "the slope at u is 0".
        """
        sd = float(theta[-1])
        eta = self.Z @ theta[:-1]
        u, chance = self._modes(eta, sd)
        variance = self.trials * chance * (1 - chance)
        spread_each = self._per_athlete(variance)
        curvature = 1 + sd**2 * spread_each
        width = 1 / np.sqrt(curvature)

        at = u[:, None] + width[:, None] * self.nodes
        logit = eta[:, None] + sd * at[self.athlete]
        small = np.exp(-np.abs(logit))  # one exponential serves both the logarithm and the chance
        each = self.stuck[:, None] * logit - self.trials[:, None] * (np.maximum(logit, 0) + np.log1p(small))
        inside = self._per_athlete(each) - at**2 / 2 + self.log_weights
        top = inside.max(axis=1)
        share = np.exp(inside - top[:, None])
        total = share.sum(axis=1)
        value = float((np.log(total) + top + np.log(width)).sum())

        share /= total[:, None]
        expected = self.trials[:, None] * np.where(logit >= 0, 1.0, small) / (1 + small)
        residual_each = self._stuck_each[:, None] - self._per_athlete(expected)
        fixed = self.Z.T @ (self.stuck - (expected * share[self.athlete]).sum(axis=1))
        fixed_sd = float((share * at * residual_each).sum())
        # now what the movement of the nodes adds, athlete by athlete
        uphill = share * (sd * residual_each - at)
        along_mode, along_width = uphill.sum(axis=1), 1 + width * (uphill @ self.nodes)
        skew = variance * (1 - 2 * chance)
        skew_each = self._per_athlete(skew)
        mode_by_beta = -sd * self._per_athlete(variance[:, None] * self.Z) / curvature[:, None]
        mode_by_sd = (
            self._stuck_each - self._per_athlete(self.trials * chance) - sd * u * spread_each
        ) / curvature
        curved_by_beta = (
            sd**2 * self._per_athlete(skew[:, None] * self.Z) + (sd**3 * skew_each)[:, None] * mode_by_beta
        )
        curved_by_sd = 2 * sd * spread_each + sd**2 * skew_each * (u + sd * mode_by_sd)
        by_width = -0.5 * along_width / curvature  # d log s = -dC / (2 C)
        moved = along_mode @ mode_by_beta + by_width @ curved_by_beta
        moved_sd = along_mode @ mode_by_sd + by_width @ curved_by_sd
        return value, np.append(fixed + moved, fixed_sd + moved_sd)

    def information(self, theta: Floats) -> Floats:
        """Minus the second derivatives: central differences of the gradient."""
        steps = _DIFFERENCE * np.eye(len(theta))
        found = np.array(
            [self.with_gradient(theta - step)[1] - self.with_gradient(theta + step)[1] for step in steps]
        ) / (2 * _DIFFERENCE)
        return (found + found.T) / 2

    def plain_information(self, beta: Floats) -> Floats:
        """The information of the coefficients when the sd is 0."""
        chance = special.expit(self.Z @ beta)
        return (self.Z * (self.trials * chance * (1 - chance))[:, None]).T @ self.Z


def climb(likelihood: Likelihood, start: Floats, ways: Floats, inverse: Floats) -> Peak:
    """The maximum that can be reached from `start` along the columns of `ways`.

    Quasi-Newton (BFGS): `inverse` is a first guess of the inverse information along the ways, corrected by what each
    step did to the gradient. A step that doesn't go up is halved.
    """
    theta = np.array(start, dtype=float)
    value, gradient = likelihood.with_gradient(theta)
    left = 0.0
    for _ in range(_STEPS if ways.shape[1] else 0):
        step = inverse @ (gradient @ ways)
        left = float(step @ (gradient @ ways))
        if left < _CLOSE**2:
            break
        step *= min(1.0, _LONGEST / float(np.abs(ways @ step).max()))
        for _ in range(40):
            tried = theta + ways @ step
            new_value, new_gradient = likelihood.with_gradient(tried)
            if new_value >= value - 1e-13 * abs(value):
                break
            step /= 2
        else:
            break
        change = (gradient - new_gradient) @ ways
        along = float(step @ change)
        if along > 1e-12 * float(np.linalg.norm(step) * np.linalg.norm(change)):
            turned = np.eye(len(step)) - np.outer(step, change) / along
            inverse = turned @ inverse @ turned.T + np.outer(step, step) / along
        theta, value, gradient = tried, new_value, new_gradient
        if abs(theta[-1]) > 2 * LARGEST_SD:
            break  # towards infinity: it goes on rising, ever slower
    theta[-1] = abs(theta[-1])
    return Peak(theta, value, gradient, left < _SETTLED**2)


def maximum(likelihood: Likelihood) -> Peak:
    """The free maximum; its sd is exactly 0 where the maximum lies there."""
    plain = without_spread(likelihood)
    inverse = np.zeros((likelihood.width, likelihood.width))
    inverse[:-1, :-1] = np.linalg.inv(likelihood.plain_information(plain.theta[:-1]))
    inverse[-1, -1] = 2 / len(likelihood.starts)
    best = plain
    for sd in _STARTS:
        # a logit between athletes is nearer to 0 than the one within, by about sqrt(1 + sd^2 / 3)
        start = np.append(plain.theta[:-1] * math.sqrt(1 + sd**2 / 3), sd)
        found = climb(likelihood, start, np.eye(likelihood.width), inverse)
        if found.log_likelihood > best.log_likelihood + 1e-9 and found.sd >= NO_SPREAD:
            best = found
    return best


def without_spread(likelihood: Likelihood) -> Peak:
    """The maximum at sd 0: the plain logistic fit."""
    theta = np.zeros(likelihood.width)
    inverse = np.asarray(np.linalg.inv(likelihood.plain_information(theta[:-1])), dtype=np.float64)
    return climb(likelihood, theta, np.eye(likelihood.width)[:, :-1], inverse)
